package quality

import (
	"math"
	"time"

	"rearguard/sensors"
)

// flatState follows the present run of unchanging readings and what the
// series has taught about itself.
type flatState struct {
	FlatRun
	// Longest is the longest run that ended by itself, in seconds, as of
	// LongestAt; it fades to half in a month, to a third in two.
	Longest   float64   `json:"longest"`
	LongestAt int64     `json:"longest_at"`
	Step      stepState `json:"step"`
}

// FlatRun is a run of readings that do not change.
type FlatRun struct {
	// Value is what the run stands at, From when it began, Seconds how much
	// observed time it has lasted (silence does not count), Count its readings.
	Value   float64 `json:"value"`
	From    int64   `json:"from"`
	Seconds float64 `json:"seconds"`
	Count   int     `json:"count"`
}

// take adds a reading that came some seconds after the one before it. One that
// is farther than tolerance from the first of the run begins another; then the
// ended run is returned, else one without readings.
func (r *FlatRun) take(at int64, value, seconds, tolerance float64) (ended FlatRun) {
	if r.Count > 0 && math.Abs(value-r.Value) <= tolerance {
		r.Count++
		r.Seconds += seconds
		return FlatRun{}
	}
	ended, *r = *r, FlatRun{Value: value, From: at, Count: 1}
	return ended
}

// grade is the flat-line test: of at least so many readings, a run longer than
// suspect seconds is suspect, and one also longer than fail seconds fails. A
// fail of zero never does.
func (r *FlatRun) grade(least int, suspect, fail float64) sensors.Flag {
	if r.Count < least || r.Seconds <= suspect {
		return sensors.Pass
	}
	return above(r.Seconds, suspect, fail)
}

// stepState learns a sensor's resolution.
type stepState struct {
	// Resolution is the smallest step seen three times; Candidate and Hits are
	// those of a smaller step on its way there.
	Resolution float64 `json:"resolution"`
	Candidate  float64 `json:"candidate"`
	Hits       int     `json:"hits"`
}

const (
	// sameValue is below the resolution of any sensor and above the rounding
	// of calibrated values to 1e-4.
	sameValue = 5e-5
	// minFlatCount readings at least must agree.
	minFlatCount = 12
	// unseenFlat is allowed to a series that has never changed yet: nothing is
	// known of its resolution.
	unseenFlat = 24 * time.Hour
	maxFlat    = 7 * 24 * time.Hour
)

// flat is the flat-line test on the raw resolution: readings that stay the
// same to the last digit, for longer than the resolution and the series' own
// past explain. Humidity stuck at saturation is told apart.
func (a *Assessor) flat(at int64, value float64) sensors.Flag {
	if f, wet := a.condensing(at, value); wet {
		a.s.Flat.Count, a.s.Flat.Seconds = 0, 0
		return f
	}
	if a.c.FlatMin == 0 {
		return 0
	}
	s := &a.s.Flat
	seconds := 0.0
	if last := a.s.Last; last.Flag != 0 {
		seconds = float64(at-last.At) / 1000
	}
	if ended := s.take(at, value, seconds, sameValue); ended.Count > 0 {
		s.Step.learn(math.Abs(value - ended.Value))
		// A run that was flagged and ended by itself may have been right or
		// wrong: it teaches, but not more than half as long again.
		if run := math.Min(ended.Seconds, 1.5*a.flatLimit(at)); run > s.longest(at) {
			s.Longest, s.LongestAt = run, at
		}
		return 0
	}
	limit := a.flatLimit(at)
	flag := s.grade(minFlatCount, limit, limit*a.c.FlatFail)
	if flag == sensors.Pass {
		return 0
	}
	return a.add(CheckFlatLine, flag, s.Seconds, limit, s.From)
}

// flatLimit is the time in seconds that readings may stay the same.
func (a *Assessor) flatLimit(at int64) float64 {
	s := &a.s.Flat
	limit := math.Max(a.c.FlatMin.Seconds(), s.Step.Resolution*a.c.FlatPerUnit.Seconds())
	limit = math.Max(limit, 3*s.longest(at))
	if s.Step.Resolution == 0 {
		limit = math.Max(limit, unseenFlat.Seconds())
	}
	return math.Min(limit, maxFlat.Seconds())
}

// longest is the faded length of the longest run. It fades so
// that what was once possible is not held for possible for ever.
func (s *flatState) longest(at int64) float64 {
	months := float64(at-s.LongestAt) / float64(30*dayMillis)
	return s.Longest / (1 + math.Max(months, 0))
}

// learn takes the size of a step between two readings.
func (s *stepState) learn(step float64) {
	if s.Resolution > 0 && step > 0.9*s.Resolution {
		return
	}
	switch {
	case s.Hits == 0 || step < 0.9*s.Candidate || s.Resolution > 0 && step > 1.1*s.Candidate:
		s.Candidate, s.Hits = step, 1
	case step <= 1.1*s.Candidate:
		s.Hits++
	}
	if s.Hits >= 3 {
		s.Resolution, s.Candidate, s.Hits = s.Candidate, 0, 0
	}
}

// condensing reports a humidity at saturation; it is suspect once it has
// lasted, and never fails: the room may truly be that wet, which harms.
func (a *Assessor) condensing(at int64, value float64) (flag sensors.Flag, wet bool) {
	if a.q != sensors.RelativeHumidity || a.c.CondensingAt == 0 {
		return 0, false
	}
	// A sensor that dries must come a percent down before it counts as dry.
	if value < a.c.CondensingAt-1 || (a.s.WetSince == 0 && value < a.c.CondensingAt) {
		a.s.WetSince = 0
		return 0, false
	}
	if a.s.WetSince == 0 {
		a.s.WetSince = at
	}
	seconds := float64(at-a.s.WetSince) / 1000
	if limit := a.c.CondensingAfter.Seconds(); seconds >= limit {
		return a.add(CheckCondensing, sensors.Suspect, seconds, limit, a.s.WetSince), true
	}
	return 0, true
}

// unitState remembers that a series changed its unit.
type unitState struct {
	// Kind is the unit test that applies, empty for the right unit.
	Kind  Check `json:"kind"`
	Since int64 `json:"since"`
	// Level is the last value in the right unit, converted ones included.
	Level float64 `json:"level"`
}

// unitTolerance is how near a converted value must come to the level before,
// in the quantity's unit; common practice, no published source.
func unitTolerance(q sensors.Quantity) float64 {
	if q == sensors.RelativeHumidity {
		return 6
	}
	return 2
}

// inOtherUnit returns the unit in which value would be near level.
func inOtherUnit(q sensors.Quantity, value, level, jump float64) (Check, float64) {
	if jump <= 0 || math.Abs(value-level) <= jump {
		return "", 0
	}
	near := func(x float64) bool { return math.Abs(x-level) <= unitTolerance(q) }
	switch q {
	case sensors.Temperature:
		if c := (value - 32) / 1.8; near(c) {
			return CheckUnitFahr, c
		}
		if c := value - 273.15; near(c) {
			return CheckUnitKelvin, c
		}
	case sensors.RelativeHumidity:
		if p := value * 100; value >= 0 && value <= 1 && near(p) {
			return CheckUnitRatio, p
		}
	}
	return "", 0
}

// unit recognises a value that jumped to where the last one would be in
// another unit, and keeps failing the series until it comes back.
func (a *Assessor) unit(at int64, value float64) sensors.Flag {
	s := &a.s.Unit
	if s.Kind == "" {
		last := a.s.Last
		if last.Flag == 0 || float64(at-last.At)/1000 > 86400 {
			return 0
		}
		kind, converted := inOtherUnit(a.q, value, last.Value, a.c.UnitJump)
		if kind == "" {
			return 0
		}
		*s = unitState{kind, at, converted}
	} else {
		kind, converted := inOtherUnit(a.q, value, s.Level, a.c.UnitJump)
		if kind != s.Kind {
			*s = unitState{}
			return 0
		}
		s.Level = converted
	}
	return a.add(s.Kind, sensors.Fail, value, s.Level, s.Since)
}
