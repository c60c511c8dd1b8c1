package desk

import (
	"reflect"
	"slices"

	"rearguard/sensors/payload"
)

// Inherit has a desk take over what another desk has learned from messages and
// no state holds: how many there were of each outcome, the latest that were of no
// use, what was last taken under each identifier of the broker, and what the
// decoders of sensors that are still configured alike know. The other desk must
// not be used any more.
func Inherit(d, from *Desk) {
	d.Intake.outcomes, d.Intake.rejected, d.Intake.miscounted = from.Intake.outcomes, from.Intake.rejected, from.Intake.miscounted
	d.deliveries, d.subscribed, d.requests = from.deliveries, from.subscribed, from.requests
	for _, s := range d.sensors {
		was := from.byID[s.config.ID]
		if was == nil || len(was.inputs) != len(s.inputs) || !reflect.DeepEqual(was.config.Inputs, s.config.Inputs) {
			continue
		}
		for i, in := range s.inputs {
			old := was.inputs[i]
			if at := slices.IndexFunc(d.routes.conversers, func(c payload.Converser) bool { return any(c) == any(in.decoder) }); at >= 0 {
				d.routes.conversers[at], _ = old.decoder.(payload.Converser)
			}
			in.decoder, in.presence, in.memory, in.touched = old.decoder, old.presence, old.memory, old.touched
		}
	}
}
