package world

import "slices"

// shrinkTries bounds the runs that are played to make a story shorter.
const shrinkTries = 300

// Shrink leaves out of a plan all without which it still breaks its rule.
func Shrink(p *Plan, breaks func(*Plan) bool) {
	tries := 0
	try := func(change func(*Plan)) bool {
		if tries >= shrinkTries {
			return false
		}
		tries++
		smaller := p.Clone()
		change(smaller)
		if !breaks(smaller) {
			return false
		}
		p = smaller
		return true
	}
	// The end is not shortened below the breach; what is checked at the end
	// may be seen earlier.
	for cut := p.Minutes / 2; cut > 10; cut /= 2 {
		for p.Minutes-cut > 30 && try(func(s *Plan) { s.Minutes -= cut }) {
		}
	}
	for size := len(p.Events) / 2; size >= 1; size /= 2 {
		for from := 0; from+size <= len(p.Events); {
			if !try(func(s *Plan) { s.Events = slices.Delete(s.Events, from, from+size) }) {
				from += size
			}
		}
	}
	for i := range p.Rooms {
		try(func(s *Plan) { s.Rooms[i].Empty = true })
	}
	for i := range p.Sensors {
		try(func(s *Plan) { s.Sensors[i].Missing = true })
	}
	for i := range p.Events {
		for p.Events[i].For > 5 && try(func(s *Plan) { s.Events[i].For /= 2 }) {
		}
	}
}
