package desk

import (
	"reflect"
	"slices"
	"time"

	"rearguard/sensors/payload"
)

// Inherit has a desk take over what another desk has learned from messages and
// no state holds: how many there were of each outcome, the latest that were of no
// use, what was last taken under each identifier of the broker, and what the
// decoders of sensors that are still configured alike know. Sensors that were not
// listened to are from now on. The other desk must not be used any more.
func Inherit(d, from *Desk, now time.Time) {
	d.Intake.outcomes, d.Intake.rejected, d.Intake.miscounted = from.Intake.outcomes, from.Intake.rejected, from.Intake.miscounted
	d.deliveries, d.subscribed, d.requests = from.deliveries, from.subscribed, from.requests
	d.OwnClocks.doubted = from.OwnClocks.doubted
	for _, s := range d.sensors {
		was := from.byID[s.config.ID]
		if was == nil || was.config.Retired {
			s.joined = now
			was = d.renamed(s, from)
		}
		if was == nil || len(was.inputs) != len(s.inputs) || !reflect.DeepEqual(was.config.Inputs, s.config.Inputs) {
			continue
		}
		for i, in := range s.inputs {
			old := was.inputs[i]
			if at := slices.IndexFunc(d.routes.conversers, func(c payload.Converser) bool { return any(c) == any(in.decoder) }); at >= 0 {
				d.routes.conversers[at], _ = old.decoder.(payload.Converser)
			}
			in.decoder, in.presence, in.memory, in.touched = old.decoder, old.presence, old.memory, old.touched
			if was.config.ID != s.config.ID {
				// It is to be kept under the new name.
				in.memory, in.touched = nil, true
			}
		}
		was.inputs = nil
	}
}

// renamed is the sensor that a new one was until now: one with the same inputs
// that is no longer listened to; nil for none. What was learned on its topics
// holds whatever it is called.
func (d *Desk) renamed(s *Sensor, from *Desk) *Sensor {
	for _, was := range from.sensors {
		now := d.byID[was.config.ID]
		if (now == nil || now.config.Retired) && len(was.inputs) > 0 && reflect.DeepEqual(was.config.Inputs, s.config.Inputs) {
			return was
		}
	}
	return nil
}
