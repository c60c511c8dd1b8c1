package quality

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rearguard/sensors"
)

// TracePoint is one value of a Trace.
type TracePoint struct {
	Time  time.Time `json:"time"`
	Value float64   `json:"value"`
}

// Trace is the recent course of one candidate, oldest first. Several of one
// name are of one device; the one that rises most counts.
type Trace struct {
	Name   string
	Points []TracePoint
}

// Rise says how much a candidate has risen since somebody warmed it or
// breathed on it.
type Rise struct {
	Name string `json:"name"`
	// By is the rise above its own level before, less what all have risen by,
	// in the unit it is sent in; Score is By in units of its own noise.
	By    float64 `json:"by"`
	Score float64 `json:"score"`
	// Marked is set on the one candidate that stands out.
	Marked bool `json:"marked"`
}

const (
	// identifyScore is how many times its noise a candidate must have risen,
	// and identifyLead how many times the score of the next; common practice,
	// no published source.
	identifyScore = 8.0
	identifyLead  = 2.0
	// identifyBefore is how far back its own level and noise are taken from.
	identifyBefore = 15 * time.Minute
)

// Identify compares what candidates did since a time with what each of them
// did before, highest score first. Warming by hand or breath raises one
// sensor's temperature or humidity far beyond its own noise, and leaves the
// others alone; what the room does, all do. Candidates without a value before
// and one since are left out, for nothing can be said of them.
func Identify(traces []Trace, since time.Time) []Rise {
	var rises []Rise
	for _, t := range traces {
		if r, ok := t.rise(since); ok {
			rises = append(rises, r)
		}
	}
	if len(rises) >= 3 {
		all := make([]float64, len(rises))
		for i, r := range rises {
			all[i] = r.Score
		}
		common := sensors.Median(all)
		for i := range rises {
			noise := rises[i].By / rises[i].Score
			if rises[i].Score == 0 || math.IsNaN(noise) {
				noise = 0
			}
			rises[i].Score -= math.Max(common, 0)
			rises[i].By = rises[i].Score * noise
		}
	}
	slices.SortStableFunc(rises, func(a, b Rise) int {
		return cmp.Or(cmp.Compare(b.Score, a.Score), cmp.Compare(a.Name, b.Name))
	})
	seen := make(map[string]bool, len(rises))
	rises = slices.DeleteFunc(rises, func(r Rise) bool {
		known := seen[r.Name]
		seen[r.Name] = true
		return known
	})
	if len(rises) > 0 && rises[0].Score >= identifyScore && (len(rises) == 1 || rises[0].Score >= identifyLead*rises[1].Score) {
		rises[0].Marked = true
	}
	return rises
}

// rise compares the highest value since with the median before; the noise is
// from the steps between neighbouring values before, so that a slow trend is
// not taken for it.
func (t Trace) rise(since time.Time) (Rise, bool) {
	var before, steps []float64
	highest, after := math.Inf(-1), false
	resolution := math.Inf(1)
	last, hasLast := 0.0, false
	for _, p := range t.Points {
		if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) || p.Time.Before(since.Add(-identifyBefore)) {
			continue
		}
		if hasLast {
			if step := math.Abs(p.Value - last); step > sameValue {
				resolution = math.Min(resolution, step)
			}
		}
		if p.Time.Before(since) {
			if hasLast {
				steps = append(steps, math.Abs(p.Value-last))
			}
			before = append(before, p.Value)
		} else {
			highest, after = math.Max(highest, p.Value), true
		}
		last, hasLast = p.Value, true
	}
	if len(before) == 0 || !after {
		return Rise{}, false
	}
	level := before[len(before)-1]
	noise := 0.0
	if len(steps) > 0 {
		level = sensors.Median(slices.Clone(before[max(0, len(before)-5):]))
		// 1.4826 makes the median of the absolute a standard deviation for
		// normal noise, and a step has two values' worth of it.
		noise = 1.4826 * sensors.Median(steps) / math.Sqrt2
	}
	// A sensor that stood still between two of its steps may still have half
	// of one to give; below a hundredth of its level nothing is believed.
	if !math.IsInf(resolution, 1) {
		noise = math.Max(noise, math.Min(resolution/2, math.Abs(level)/100))
	}
	noise = math.Max(noise, math.Max(math.Abs(level)*1e-3, 0.01))
	return Rise{Name: t.Name, By: highest - level, Score: (highest - level) / noise}, true
}
