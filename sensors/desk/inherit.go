package desk

import (
	"reflect"

	"rearguard/sensors/payload"
)

// Inherit has a desk take over what another desk has learned from messages and
// no state holds: how many there were of each outcome, the latest that were of no
// use, and what the decoders of sensors that are still configured alike know. The
// other desk must not be used any more.
func Inherit(d, from *Desk) {
	d.intake.outcomes, d.intake.rejected, d.intake.miscounted = from.intake.outcomes, from.intake.rejected, from.intake.miscounted
	for _, to := range []struct{ new, old map[string][]*input }{{d.routes.topics, from.routes.topics}, {d.routes.prefixes, from.routes.prefixes}} {
		for filter, inputs := range to.new {
			for i, in := range inputs {
				if old := alike(in, inputs[:i], to.old[filter]); old != nil {
					d.routes.exchange(in.decoder, old.decoder)
					in.decoder, in.presence = old.decoder, old.presence
				}
			}
		}
	}
}

// alike is the input of the same sensor among others, nil for none. Before are
// those of the same filter that come before it.
func alike(in *input, before, others []*input) *input {
	ordinal := 0
	for _, b := range before {
		if b.sensor == in.sensor {
			ordinal++
		}
	}
	for _, o := range others {
		if o.sensor.config.ID != in.sensor.config.ID || !reflect.DeepEqual(o.sensor.config.Inputs, in.sensor.config.Inputs) {
			continue
		}
		if ordinal == 0 {
			return o
		}
		ordinal--
	}
	return nil
}

// exchange puts a decoder in the place of another among those that converse.
func (r *routes) exchange(old, now payload.Decoder) {
	for i, c := range r.conversers {
		if any(c) == any(old) {
			r.conversers[i], _ = now.(payload.Converser)
		}
	}
}
