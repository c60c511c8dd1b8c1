package quality

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

var touched = time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC)

// course is a candidate that reports every interval for ten minutes before the
// touch and until after it, rising by warmth with a time constant of a minute.
func course(name string, level, noise, warmth, roomRise float64, interval, until time.Duration, r *rand.Rand) Trace {
	t := Trace{Name: name}
	for at := touched.Add(-10 * time.Minute); !at.After(touched.Add(until)); at = at.Add(interval) {
		v := level + noise*r.NormFloat64()
		if s := at.Sub(touched).Minutes(); s > 0 {
			v += warmth*(s/(s+1)) + roomRise*s
		}
		t.Points = append(t.Points, TracePoint{at, v})
	}
	return t
}

func TestTheWarmedSensorIsMarked(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for name, warmth := range map[string]float64{"hand": 4, "barely touched": 1.5} {
		var traces []Trace
		for i := range 12 {
			w := 0.0
			if i == 7 {
				w = warmth
			}
			traces = append(traces, course(fmt.Sprint("s", i), 20+float64(i)/3, 0.03, w, 0.02, 20*time.Second, 90*time.Second, r))
		}
		// One candidate is so noisy that it rises more than the warmed one.
		traces = append(traces, course("noisy", 25, 3, 0, 0, 20*time.Second, 90*time.Second, r))
		got := Identify(traces, touched)
		if !got[0].Marked || got[0].Name != "s7" || got[0].By < warmth/3 || got[0].By > warmth+0.5 {
			t.Errorf("%s: %+v, then %+v", name, got[0], got[1])
		}
		for _, other := range got[1:] {
			if other.Marked {
				t.Errorf("%s: %s is marked too", name, other.Name)
			}
		}
	}
}

// Noise alone may look like a hand once in a while: with two values since the
// touch in less than one search of a hundred.
func TestNobodyIsMarkedWithoutATouch(t *testing.T) {
	const searches = 4000
	marked := 0
	for seed := range uint64(searches) {
		r := rand.New(rand.NewPCG(seed, 3))
		var traces []Trace
		for i := range 3 + r.IntN(18) {
			traces = append(traces, course(fmt.Sprint("s", i), 22, 0.05, 0, 0.1, 30*time.Second, time.Minute, r))
		}
		if slices.ContainsFunc(Identify(traces, touched), func(rise Rise) bool { return rise.Marked }) {
			marked++
		}
	}
	t.Logf("somebody is marked in %d of %d searches", marked, searches)
	if marked > searches/100 {
		t.Errorf("somebody is marked in %d of %d searches among sensors that only follow the room", marked, searches)
	}
}

func TestTwoWarmedSensorsAreNotOne(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	traces := []Trace{
		course("a", 20, 0.03, 4, 0, 20*time.Second, time.Minute, r), course("b", 21, 0.03, 4, 0, 20*time.Second, time.Minute, r),
		course("c", 22, 0.03, 0, 0, 20*time.Second, time.Minute, r), course("d", 22, 0.03, 0, 0, 20*time.Second, time.Minute, r),
	}
	if got := Identify(traces, touched); got[0].Marked || got[0].Score < identifyScore {
		t.Errorf("%+v", got)
	}
}

func TestABreathRaisesBothQuantitiesOfOneSensor(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	traces := []Trace{
		course("a", 20, 0.03, 2, 0, 20*time.Second, time.Minute, r), course("a", 60, 0.3, 25, 0, 20*time.Second, time.Minute, r),
		course("b", 20, 0.03, 0, 0, 20*time.Second, time.Minute, r), course("b", 60, 0.3, 0, 0, 20*time.Second, time.Minute, r),
	}
	if got := Identify(traces, touched); len(got) != 2 || !got[0].Marked || got[0].Name != "a" {
		t.Errorf("%+v", got)
	}
}

func TestCoarseAndSparseCandidates(t *testing.T) {
	at := func(s int, v float64) TracePoint { return TracePoint{touched.Add(time.Duration(s) * time.Second), v} }
	coarse := Trace{"coarse", []TracePoint{at(-60, 21), at(-40, 21), at(-20, 21), at(10, 22), at(30, 24)}}
	got := Identify([]Trace{coarse, {"quiet", []TracePoint{at(-60, 20), at(20, 20)}}, {"new", []TracePoint{at(20, 30)}}, {"gone", []TracePoint{at(-20, 30)}}}, touched)
	if len(got) != 2 || !got[0].Marked || got[0].Name != "coarse" || got[0].By != 3 {
		t.Errorf("%+v", got)
	}
	if got := Identify(nil, touched); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}

// risen is what Identify says of one candidate with five values before a touch
// and one after it, a minute apart.
func risen(after float64, before ...float64) Rise {
	trace := Trace{Name: "a"}
	for i, v := range append(before, after) {
		trace.Points = append(trace.Points, TracePoint{start.Add(time.Duration(i) * time.Minute), v})
	}
	return Identify([]Trace{trace}, start.Add(time.Duration(len(before))*time.Minute))[0]
}

// What a rise is measured by, worked out by hand: the steps before it, half a
// step of a coarse sensor, a hundredth and a thousandth of the level.
func TestNoiseBeforeTheRise(t *testing.T) {
	for name, c := range map[string]struct {
		got   Rise
		score float64
	}{
		"steps of a tenth":                  {risen(21, 20, 20.1, 20, 20.1, 20), math.Sqrt2 / (1.4826 * 0.1)},
		"half of a coarse step":             {risen(31, 30, 30, 30, 30.5, 30.5), 1 / 0.25},
		"a hundredth of the level":          {risen(21, 20, 20, 20, 20.5, 20.5), 1 / 0.2},
		"never changed but for the rise":    {risen(21, 20, 20, 20, 20, 20), 1 / 0.2},
		"a fine step, a thousandth of it":   {risen(21, 20, 20.001, 20, 20, 20), 1 / 0.02},
		"a low level, a hundredth of a one": {risen(2, 1, 1, 1, 1.001, 1), 1 / 0.01},
	} {
		if math.Abs(c.got.By-1) > 1e-9 || math.Abs(c.got.Score-c.score) > 1e-9*c.score {
			t.Errorf("%s: %+v, want 1 and a score of %v", name, c.got, c.score)
		}
	}
}

// From three candidates on what all do counts for none.
func TestWhatAllDoIsNoTouch(t *testing.T) {
	trace := func(name string, after float64) Trace {
		return Trace{name, []TracePoint{{start, 20}, {start.Add(time.Minute), 20.01}, {start.Add(2 * time.Minute), 20}, {start.Add(3 * time.Minute), after}}}
	}
	all := []Trace{trace("a", 25), trace("b", 25), trace("c", 25)}
	for n, want := range map[int]float64{1: 5, 2: 5, 3: 0} {
		for _, r := range Identify(all[:n], start.Add(3*time.Minute)) {
			if math.Abs(r.By-want) > 1e-9 {
				t.Errorf("%d candidates: %+v, want a rise of %v", n, r, want)
			}
		}
	}
}
