package roomair

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

var day = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func testRules() Rules {
	return Rules{
		Fresh:        func(sensors.SensorID) time.Duration { return 10 * time.Minute },
		MarkAfter:    30 * time.Minute,
		StraightUpTo: 6 * time.Hour,
	}
}

func fold(samples []Sample) []Segment {
	var c Curve
	var out []Segment
	emit := func(s Segment) { out = append(out, s) }
	for _, s := range samples {
		c.Add(s, testRules(), emit)
	}
	c.Tail(testRules(), emit)
	return out
}

func at(minutes float64) time.Time { return day.Add(time.Duration(minutes * float64(time.Minute))) }

func TestCurveIsTheMedianOfFreshSensors(t *testing.T) {
	got := fold([]Sample{
		{at(0), "a", 20}, {at(0), "b", 22}, {at(0), "c", 40},
		{at(5), "a", 21}, {at(5), "b", 23}, {at(5), "c", 41},
		// c falls silent; after ten minutes it no longer counts.
		{at(20), "a", 24}, {at(20), "b", 26},
	})
	want := []Segment{
		{From: at(0), To: at(5), FromC: 22, ToC: 23},
		{From: at(5), To: at(20), FromC: 23, ToC: 25},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// A reading stands for its place until its time is over, and not longer.
func TestLastMomentOfAReading(t *testing.T) {
	for minutes, want := range map[float64]float64{10: 25, 10.01: 30} {
		got := fold([]Sample{{at(0), "a", 20}, {at(minutes), "b", 30}})
		if len(got) != 1 || got[0].ToC != want {
			t.Errorf("after %v min: %v, want %v °C in the end", minutes, got, want)
		}
	}
}

func TestGapsAreBridgedAndMarked(t *testing.T) {
	got := fold([]Sample{{at(0), "a", 20}, {at(31), "a", 21}, {at(40), "a", 22}})
	if !got[0].Estimated || got[1].Estimated {
		t.Errorf("want only the first of %v estimated", got)
	}
	if got := fold([]Sample{{at(0), "a", 20}, {at(30), "a", 21}}); got[0].Estimated {
		t.Errorf("the longest distance that is no gap is marked: %v", got)
	}
}

// An invented day that is straight between whole hours.
func zigzag(minutes float64) float64 {
	corner := func(hour int) float64 { return 20 + float64(hour%24*7%5) }
	hour := int(minutes / 60)
	return corner(hour) + (corner(hour+1)-corner(hour))*(minutes/60-float64(hour))
}

// sampled are samples every ten minutes from from to to.
func sampled(from, to float64, c func(float64) float64) []Sample {
	var samples []Sample
	for m := from; m <= to; m += 10 {
		samples = append(samples, Sample{at(m), "a", c(m)})
	}
	return samples
}

// A gap that begins and ends off the hour, two degrees above the day before
// and three: it follows that day, and the shift changes evenly.
func TestLongGapMeetsTheReadings(t *testing.T) {
	const from, to = 1580.0, 2330.0
	samples := append(sampled(0, from-10, zigzag), Sample{at(from), "a", zigzag(from) + 2}, Sample{at(to), "a", zigzag(to) + 3})
	minutes := from
	for _, s := range fold(samples) {
		if !s.Estimated {
			continue
		}
		for end, got := range map[time.Time]float64{s.From: s.FromC, s.To: s.ToC} {
			m := end.Sub(day).Minutes()
			if want := zigzag(m) + 2 + (m-from)/(to-from); math.Abs(got-want) > 1e-9 {
				t.Errorf("%v min: %v °C, want %v", m, got, want)
			}
		}
		if s.From.Sub(day).Minutes() != minutes {
			t.Errorf("a piece begins at %v, want %v min", s.From, minutes)
		}
		minutes = s.To.Sub(day).Minutes()
	}
	if minutes != to {
		t.Errorf("the bridge ends at %v min, want %v", minutes, to)
	}
}

// Up to the limit a gap is bridged in one straight line, and so is a longer
// one before a whole day is known. That day may be as old as a day.
func TestWhenAGapFollowsTheDay(t *testing.T) {
	for name, c := range map[string]struct {
		samples []Sample
		pieces  int
	}{
		"at the limit":        {append(sampled(0, 1560, zigzag), sampled(1920, 1920, zigzag)...), 1},
		"above the limit":     {append(sampled(0, 1560, zigzag), sampled(1930, 1930, zigzag)...), 7},
		"an hour not known":   {append(sampled(70, 1490, zigzag), sampled(1930, 1930, zigzag)...), 1},
		"the day was too old": {slices.Concat(sampled(0, 1440, zigzag), sampled(1800, 1800, zigzag), sampled(2400, 2400, zigzag)), 2},
		// The newest point is a whole hour that was not measured; the same
		// hour of the day before was, and is still within the day.
		"a whole day ago": {slices.Concat(sampled(0, 1520, zigzag), sampled(1560, 1560, zigzag), sampled(2280, 2280, zigzag)), 1 + 12},
	} {
		pieces := 0
		for _, s := range fold(c.samples) {
			if s.Estimated {
				pieces++
			}
		}
		if pieces != c.pieces {
			t.Errorf("%s: %d estimated pieces, want %d", name, pieces, c.pieces)
		}
	}
}

func TestLongGapFollowsTheDayBefore(t *testing.T) {
	wave := func(m float64) float64 { return 22 + 4*math.Sin(2*math.Pi*m/1440) }
	var samples []Sample
	for m := 0.0; m <= 1560; m += 10 {
		samples = append(samples, Sample{at(m), "a", wave(m)})
	}
	// Twelve hours are missing, in which the true day swings by 8 degrees.
	for m := 1560.0 + 720; m <= 2880; m += 10 {
		samples = append(samples, Sample{at(m), "a", wave(m)})
	}
	worst := 0.0
	estimated := 0
	for _, s := range fold(samples) {
		if s.Estimated {
			estimated++
			worst = max(worst, math.Abs(s.ToC-wave(s.To.Sub(day).Minutes())))
		}
	}
	if estimated != 12 {
		t.Errorf("the gap has %d segments, want one an hour", estimated)
	}
	if worst > 0.05 {
		t.Errorf("bridged curve is off by %.3f °C, want within 0.05", worst)
	}
}

func TestStoredCurveContinuesAsIfNeverStopped(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var samples []Sample
	for i := range 400 {
		samples = append(samples, Sample{at(float64(i*7) + rng.Float64()), sensors.SensorID(rune('a' + i%3)), 20 + rng.Float64()})
	}
	slices.SortFunc(samples, Sample.Compare)
	want := fold(samples)
	for _, cut := range []int{1, 57, 399} {
		var c Curve
		var got []Segment
		emit := func(s Segment) { got = append(got, s) }
		for i, s := range samples {
			if i == cut {
				stored, err := json.Marshal(&c)
				if err != nil {
					t.Fatal(err)
				}
				c = Curve{}
				if err := json.Unmarshal(stored, &c); err != nil {
					t.Fatal(err)
				}
			}
			c.Add(s, testRules(), emit)
		}
		c.Tail(testRules(), emit)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("cut at %d: %s", cut, d)
		}
	}
}

func TestClip(t *testing.T) {
	s := Segment{From: at(0), To: at(10), FromC: 20, ToC: 30}
	got, ok := s.Clip(at(2), at(7))
	want := Segment{From: at(2), To: at(7), FromC: 22, ToC: 27}
	if d := cmp.Diff(want, got); !ok || d != "" {
		t.Error(ok, d)
	}
	if _, ok := s.Clip(at(10), at(20)); ok {
		t.Error("a clip beyond the end is not empty")
	}
}
