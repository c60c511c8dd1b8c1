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

// known are whole days with one temperature each; NaN for a day not known.
func known(means ...float64) *Curve {
	c := &Curve{}
	for i, mean := range means {
		d := Day{Date: day.AddDate(0, 0, i), Known: 1<<24 - 1}
		for h := range d.HourC {
			d.HourC[h] = mean
		}
		if !math.IsNaN(mean) {
			c.Past = append(c.Past, d)
		}
	}
	return c
}

// What is believed beforehand, 0.7 °C and 0.5, counts for three days. The
// expected values are worked out by hand.
func TestHabitWeighsDaysAgainstBelief(t *testing.T) {
	gap := math.NaN()
	for _, c := range []struct {
		means           []float64
		sd, persistence float64
	}{
		{[]float64{20}, math.Sqrt(3 * 0.49 / 4), 0.5},
		{[]float64{20, 20, 20, 20}, math.Sqrt(3 * 0.49 / 7), 0.5},
		{[]float64{21, 21, 21}, math.Sqrt((1.47 + 3) / 6), (0.735 + 2) / (1.47 + 2)},
		{[]float64{21, 22}, math.Sqrt((1.47 + 1 + 4) / 5), (0.735 + 2) / (1.47 + 2.5)},
		{[]float64{22, 21}, math.Sqrt((1.47 + 1 + 4) / 5), (0.735 + 2) / (1.47 + 2.5)},
		// Days that do not follow each other say nothing of persistence.
		{[]float64{21, gap, 21, 21}, math.Sqrt((1.47 + 3) / 6), (0.735 + 1) / (1.47 + 1)},
		{[]float64{21, gap, 21}, math.Sqrt((1.47 + 2) / 5), 0.5},
		// Errors that change sign persist not at all, and none for ever.
		{[]float64{21, 19, 21, 19}, math.Sqrt((1.47 + 4) / 7), 0},
		{[]float64{30, 30, 30, 30, 30, 30, 30, 30, 30}, math.Sqrt((1.47 + 900) / 12), 0.95},
		// One of 8 °C counts as three times 0.1 °C, the least doubt there is.
		{[]float64{20, 20, 20, 28}, math.Sqrt((1.47 + 0.09) / 7), 0.735 / (1.47 + 0.045)},
		{[]float64{20, 20, 20, 12}, math.Sqrt((1.47 + 0.09) / 7), 0.735 / (1.47 + 0.045)},
		// And one of 9 °C among errors of 1 °C as 3 times 1.4826 °C.
		{[]float64{21, 21, 29}, math.Sqrt((1.47 + 2 + 19.783) / 6), (0.735 + 1 + 4.4478) / (1.47 + 1 + (1+19.783)/2)},
	} {
		h, ok := known(c.means...).Habit(func(time.Time) float64 { return 20 })
		if !ok || math.Abs(h.DayMeanSDC-c.sd) > 1e-4 || math.Abs(h.Persistence-c.persistence) > 1e-4 {
			t.Errorf("%v: %.5f °C, %.5f (%v), want %.5f and %.5f", c.means, h.DayMeanSDC, h.Persistence, ok, c.sd, c.persistence)
		}
		if want := c.means[len(c.means)-1] - 20; h.LastC != want {
			t.Errorf("%v: the newest error is %v °C, want %v", c.means, h.LastC, want)
		}
	}
}

// A day counts from 18 measured hours on; its error is that of those hours.
func TestHoursOfADay(t *testing.T) {
	for hours, counts := range map[int]bool{17: false, 18: true, 24: true} {
		c := &Curve{}
		for h := range hours {
			c.record(day.Add(time.Duration(h)*time.Hour), 20)
		}
		c.record(day.Add(24*time.Hour), 20)
		if got := len(c.Past) == 1; got != counts {
			t.Errorf("a day of %d hours counts: %v", hours, got)
		}
	}
	c := &Curve{}
	for h := range 42 {
		if h < 18 || h >= 24 {
			c.record(day.Add(time.Duration(h)*time.Hour), 20+float64(h%24))
		}
	}
	c.record(day.Add(48*time.Hour), 20)
	if _, ok := c.Past[0].Hour(17); !ok || len(c.Past) != 2 {
		t.Fatalf("past %+v", c.Past)
	}
	if _, ok := c.Past[0].Hour(18); ok {
		t.Error("an hour that was not measured is known")
	}
	// No day knows the last six hours, so that there is no habit of theirs.
	if h, ok := c.Habit(nil); ok {
		t.Errorf("a habit of hours never measured: %+v", h)
	}
	c.Past[1] = known(23).Past[0]
	h, ok := c.Habit(func(time.Time) float64 { return 20 })
	if !ok || h.HourC[20] != 23 || h.HourC[4] != 23.5 {
		t.Errorf("habit %+v, %v", h, ok)
	}
}

// Before a day has ended the newest values of all hours stand for it, while
// none is older than two days.
func TestFirstDayGrowsOld(t *testing.T) {
	for hours, want := range map[float64]bool{23: true, 48: true, 48.1: false} {
		c := &Curve{Point: day.Add(time.Duration(hours * float64(time.Hour)))}
		for h := range c.Shape {
			c.Shape[h] = HourValue{Hour: day.Add(time.Duration(h) * time.Hour), C: 20 + float64(h)}
		}
		h, ok := c.Habit(nil)
		if ok != want || ok && (h.HourC[5] != 25 || h.Days != 0 || h.DayMeanSDC != priorDayMeanSDC || h.Persistence != priorPersistence) {
			t.Errorf("after %v h: %+v, %v", hours, h, ok)
		}
	}
}

// Points are those of the days that follow each other, with at most six hours
// in between.
func TestHourlyPoints(t *testing.T) {
	c := known(20, 21, math.NaN(), 22, 23)
	// Of the last day the first hours were not measured: five, so that six lie
	// between the points.
	for missing, want := range map[int]int{0: 48, 5: 43, 6: 18} {
		c.Past[3].Known = (1<<24 - 1) >> missing << missing
		points := c.HourlyPoints()
		if len(points) != want {
			t.Errorf("without %d hours: %d points, want %d", missing, len(points), want)
			continue
		}
		first, last := points[0], points[len(points)-1]
		start := day.Add(72 * time.Hour)
		if want == 18 {
			start = day.Add(96*time.Hour + 6*time.Hour)
		}
		if !first.Time.Equal(start) || !last.Time.Equal(day.Add(119*time.Hour)) || last.TemperatureC != 23 {
			t.Errorf("without %d hours: from %v to %v", missing, first, last)
		}
	}
	if points := (&Curve{}).HourlyPoints(); points != nil {
		t.Errorf("no day gives %v", points)
	}
}
