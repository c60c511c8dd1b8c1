package simulate

import (
	"slices"

	"rearguard/cmd/prove/simulate/world"
)

// shrinkTries bounds the runs that are played to make a story shorter.
const shrinkTries = 300

// shrink leaves out of a plan what its breach does not need, as long as still
// breaks(plan) gives the same rule.
func shrink(p *world.Plan, found *Breach, breaks func(*world.Plan) *Breach) *Breach {
	tries := 0
	try := func(change func(*world.Plan)) bool {
		if tries >= shrinkTries {
			return false
		}
		tries++
		smaller := p.Clone()
		change(smaller)
		b := breaks(smaller)
		if b == nil || b.Rule != found.Rule {
			return false
		}
		p, found = smaller, b
		return true
	}
	// The end is not shortened below the breach; what is checked at the end
	// may be seen earlier.
	for cut := p.Minutes / 2; cut > 10; cut /= 2 {
		for p.Minutes-cut > 30 && try(func(s *world.Plan) { s.Minutes -= cut }) {
		}
	}
	for size := len(p.Events) / 2; size >= 1; size /= 2 {
		for from := 0; from+size <= len(p.Events); {
			if !try(func(s *world.Plan) { s.Events = slices.Delete(s.Events, from, from+size) }) {
				from += size
			}
		}
	}
	for i := range p.Rooms {
		try(func(s *world.Plan) { s.Rooms[i].Empty = true })
	}
	for i := range p.Sensors {
		try(func(s *world.Plan) { s.Sensors[i].Missing = true })
	}
	for i := range p.Events {
		for p.Events[i].For > 5 && try(func(s *world.Plan) { s.Events[i].For /= 2 }) {
		}
	}
	return found
}
