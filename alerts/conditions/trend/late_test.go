package trend

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rearguard/sensors"
)

// A day of readings of two sensors that comes at once.
func kept(begin time.Time, hours int) []sensors.Reading {
	var list []sensors.Reading
	for minute := 0; minute < 60*hours; minute += 10 {
		for i, id := range []sensors.SensorID{"a", "b"} {
			at := begin.Add(time.Duration(minute) * time.Minute)
			c, rh := 24+float64(minute%60)/60+float64(i)/2, 70.0
			list = append(list,
				sensors.Reading{Series: sensors.Series{Sensor: id, Quantity: sensors.Temperature}, Time: at, Value: c, Flag: sensors.Pass},
				sensors.Reading{Series: sensors.Series{Sensor: id, Quantity: sensors.RelativeHumidity}, Time: at, Value: rh, Flag: sensors.Pass},
			)
		}
	}
	return list
}

// What comes late tells what is usual, in whatever order the sensors deliver, and
// is neither taken for new nor kept for ever.
func TestWhatComesLateTellsWhatIsUsual(t *testing.T) {
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	now := begin.Add(24 * time.Hour)
	list := kept(begin, 24)
	var tr Trend
	for i := range list {
		tr = tr.Recall(&list[i], now)
	}
	usual, known := tr.Usual(now)
	if !known || usual.LowC != 24.25 || usual.HighC < 25 || usual.HighC > 25.2 || usual.HeldRH != 70 || usual.LowD != 0.5 || usual.LowW < 12 || usual.HighW < usual.LowW {
		t.Errorf("a day that came late gives %+v, known %t", usual, known)
	}
	if len(tr.Samples) != 0 {
		t.Error("what is old is taken for new")
	}
	shuffled := kept(begin, 24)
	// Each sensor keeps its own order, and their messages come in any.
	a, b := []sensors.Reading{}, []sensors.Reading{}
	for _, r := range shuffled {
		if r.Sensor == "a" {
			a = append(a, r)
		} else {
			b = append(b, r)
		}
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var again Trend
	for len(a)+len(b) > 0 {
		from := &a
		if len(a) == 0 || len(b) > 0 && rng.IntN(2) == 0 {
			from = &b
		}
		again = again.Recall(&(*from)[0], now)
		*from = (*from)[1:]
	}
	other, _ := again.Usual(now)
	if d := cmp.Diff(usual, other, cmpopts.EquateApprox(0, 1e-9)); d != "" {
		t.Errorf("another order gives another range:\n%s", d)
	}
	for name, r := range map[string]sensors.Reading{
		"new":     {Series: list[0].Series, Time: now.Add(-5 * time.Minute), Value: 60, Flag: sensors.Pass},
		"too old": {Series: list[0].Series, Time: begin.Add(-3 * time.Hour), Value: 60, Flag: sensors.Pass},
		"bad":     {Series: list[0].Series, Time: now.Add(-5 * time.Hour), Value: 60, Flag: sensors.Fail},
	} {
		if d := cmp.Diff(tr, tr.Recall(&r, now)); d != "" {
			t.Errorf("a reading that is %s counts:\n%s", name, d)
		}
	}
	if moved, _ := tr.Move(time.Hour).Usual(now.Add(time.Hour)); moved != usual {
		t.Errorf("moved with the clock it is %+v, want %+v", moved, usual)
	}
	late := sensors.Reading{Series: list[0].Series, Time: now.Add(28 * time.Hour), Value: 24, Flag: sensors.Pass}
	if n := len(tr.Recall(&late, now.Add(30*time.Hour)).Told); n != 1 {
		t.Errorf("%d hours are kept, want 1", n)
	}
}

// What was heard live is not told anew by what comes late.
func TestLiveHoursPrevail(t *testing.T) {
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var tr Trend
	for minute := range 24 * 60 {
		c, rh := 25.0, 70.0
		tr = tr.Add(&Air{Time: begin.Add(time.Duration(minute) * time.Minute), TemperatureC: &c, HumidityPercent: &rh})
	}
	now := begin.Add(24 * time.Hour)
	want, _ := tr.Usual(now)
	list := kept(begin, 24)
	for i := range list {
		list[i].Value += 9
		tr = tr.Recall(&list[i], now)
	}
	if got, _ := tr.Usual(now); got != want {
		t.Errorf("the usual range is %+v, want %+v", got, want)
	}
}
