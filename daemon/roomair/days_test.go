package roomair

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// lived returns a curve after days of ten-minute samples of at.
func lived(days int, at func(time.Time) float64) *Curve {
	c := &Curve{}
	rules := Rules{Fresh: func(sensors.SensorID) time.Duration { return time.Hour }, MarkAfter: time.Hour, StraightUpTo: 6 * time.Hour}
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for m := 0; m <= days*144; m++ {
		t := start.Add(time.Duration(m) * 10 * time.Minute)
		c.Add(Sample{Time: t, Sensor: "a", TemperatureC: at(t)}, rules, func(Segment) {})
	}
	return c
}

func wave(t time.Time) float64 {
	return 24 + 2*math.Cos(2*math.Pi*float64(t.Hour()-15)/24)
}

func TestHabitIsTheMedianDay(t *testing.T) {
	// On one of nine days the heater stuck.
	c := lived(9, func(t time.Time) float64 {
		if t.Day() == 4 {
			return 36
		}
		return wave(t)
	})
	h, ok := c.Habit(nil)
	if !ok || h.Days < 8 {
		t.Fatalf("habit %+v, %v", h, ok)
	}
	for hour, got := range h.HourC {
		if want := wave(time.Date(2026, 3, 2, hour, 0, 0, 0, time.UTC)); math.Abs(got-want) > 0.01 {
			t.Errorf("%d:00: %.2f °C, want %.2f", hour, got, want)
		}
	}
	if h.DayMeanSDC > 0.6 || h.LastC != 0 {
		t.Errorf("one bad day makes every day doubtful: %+v", h)
	}
}

func TestHabitLearnsDoubtAndPersistence(t *testing.T) {
	// Two weeks cannot tell a room's persistence well; many rooms together
	// must come out on average where the truth is, pulled towards the prior.
	rng := rand.New(rand.NewPCG(7, 7))
	const rooms, sd, persistence = 60, 1.5, 0.7
	meanSD, meanPersistence := 0.0, 0.0
	for range rooms {
		errs := make([]float64, 20)
		for d := range errs {
			if d == 0 {
				errs[d] = sd * rng.NormFloat64()
				continue
			}
			errs[d] = persistence*errs[d-1] + sd*math.Sqrt(1-persistence*persistence)*rng.NormFloat64()
		}
		c := lived(16, func(t time.Time) float64 { return wave(t) + errs[t.Day()] })
		h, ok := c.Habit(wave)
		if !ok || h.Days != daysKept {
			t.Fatalf("habit %+v, %v", h, ok)
		}
		meanSD += h.DayMeanSDC / rooms
		meanPersistence += h.Persistence / rooms
	}
	if meanSD < 1.1 || meanSD > 1.5 || meanPersistence < 0.45 || meanPersistence > 0.75 {
		t.Errorf("learned standard deviation %.2f of %.1f, persistence %.2f of %.1f", meanSD, sd, meanPersistence, persistence)
	}
}

func TestHabitNeedsADay(t *testing.T) {
	if h, ok := (&Curve{}).Habit(nil); ok {
		t.Errorf("no reading gave %+v", h)
	}
	c := lived(1, wave)
	c.remember(Segment{From: c.Open, To: c.Point, FromC: c.OpenC, ToC: c.PointC})
	if h, ok := c.Habit(nil); !ok || math.Abs(h.HourC[15]-26) > 0.01 {
		t.Errorf("one day gave %+v, %v", h, ok)
	}
}

func TestDaysSurviveCopyAndJSON(t *testing.T) {
	c := lived(5, wave)
	copied := c.Clone()
	data, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var stored Curve
	if err := json.Unmarshal(data, &stored); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		copied.record(copied.Point.Add(24*time.Hour), 99)
		copied.Point = copied.Point.Add(24 * time.Hour)
	}
	if d := cmp.Diff(stored.Past, c.Past); d != "" {
		t.Errorf("a copy changed the original, or JSON lost something:\n%s", d)
	}
}
