package quality

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// One side of a chart gathers what exceeds the slack, never below zero nor
// above twice the evidence, and remembers when it left zero.
func TestChart(t *testing.T) {
	n := NewNeighbours(sensors.Temperature, NeighbourConfig{DriftSlack: 0.25, DriftSum: 0.875})
	sum, from := 0.0, int64(0)
	for day, c := range []struct {
		x, sum float64
		from   int64
	}{
		{0.25, 0, 0}, {0.5, 0.25, 1}, {0.75, 0.75, 1}, {-1, 0, 0}, {0.5, 0.25, 4}, {5, 1.75, 4}, {0, 1.5, 4},
	} {
		n.chart(&sum, &from, int64(day), c.x)
		if sum != c.sum || from != c.from {
			t.Errorf("day %d: %v since %d, want %v since %d", day, sum, from, c.sum, c.from)
		}
	}
}

// The day on which the line through the departures was at zero, within what is
// remembered.
func TestOnset(t *testing.T) {
	d := dayMillis
	for _, c := range []struct {
		now, chart, first int64
		size, perDay      float64
		want              int64
	}{
		{20 * d, 18 * d, 2 * d, 1, 0.25, 16 * d},
		{20 * d, 18 * d, 2 * d, -1, -0.25, 16 * d},
		{20 * d, 18 * d, 17 * d, 1, 0.25, 17 * d},
		{20 * d, 15 * d, 2 * d, 1, 0.25, 15 * d},
		{20 * d, 18 * d, 2 * d, 1, -0.25, 18 * d},
		{20 * d, 18 * d, 2 * d, 1, 0, 18 * d},
	} {
		if got := onset(c.now, c.chart, c.first, c.size, c.perDay); got != c.want {
			t.Errorf("%+v: day %v, want %v", c, float64(got)/float64(d), c.want/d)
		}
	}
	at, x := []int64{0, d, 2 * d, 3 * d}, []float64{9, 0.5, 1.5, 2}
	if got := slopeSince(at, x, d); math.Abs(got-0.75) > 1e-12 {
		t.Errorf("slope %v a day, want the middle of 0.5, 0.75 and 1", got)
	}
}

// days closes one day after the other with a departure.
func days(n *Neighbours, m *member, departures ...float64) {
	for _, x := range departures {
		n.closeDay(m, int64(len(m.Days))*dayMillis, x)
	}
}

func TestDriftBeginsAndEnds(t *testing.T) {
	cfg := NeighbourConfig{DriftSize: 0.5, DriftSlack: 0.125, DriftSum: 1}
	learned := func() (*Neighbours, *member) {
		n, m := NewNeighbours(sensors.Temperature, cfg), &member{}
		days(n, m, 1, 1.5, 1, 0.5)
		if m.Learned {
			t.Fatal("learned after four days")
		}
		days(n, m, 1)
		if !m.Learned || m.Base != 1 {
			t.Fatalf("after five days: %+v", m)
		}
		return n, m
	}
	// Up by a quarter a day: evidence is 0.125, 0.5, 1.125 and so on.
	n, m := learned()
	days(n, m, 1.25, 1.5)
	if m.Drift.Active {
		t.Fatalf("too early: %+v", m.Drift)
	}
	days(n, m, 1.75)
	want := driftState{Up: 1.125, UpFrom: 5 * dayMillis, Active: true, Since: 4 * dayMillis, Size: 0.75, PerDay: 0.25}
	if d := cmp.Diff(want, m.Drift); d != "" {
		t.Fatal(d)
	}
	// Half of the least drift is still one; less, for two days, is none.
	days(n, m, 1.25)
	if !m.Drift.Active || m.Drift.Size != 0.25 {
		t.Errorf("at half of the least: %+v", m.Drift)
	}
	// Down as well, and the newest of three days counts for its size.
	n, m = learned()
	days(n, m, 0.75, 0.5, 0.25)
	want = driftState{Down: 1.125, DownFrom: 5 * dayMillis, Active: true, Since: 4 * dayMillis, Size: -0.75, PerDay: -0.25}
	if d := cmp.Diff(want, m.Drift); d != "" {
		t.Error(d)
	}
	// A coarse sensor must go half a step further.
	n, m = learned()
	m.Step.Resolution = 1
	days(n, m, 1.875, 1.875, 1.875)
	if m.Drift.Active || n.driftSize(m) != 1 {
		t.Errorf("a coarse sensor: %+v, %v", m.Drift, n.driftSize(m))
	}
	days(n, m, 2, 2)
	if !m.Drift.Active {
		t.Errorf("a coarse sensor farther off: %+v", m.Drift)
	}
	// Calm is counted from evidence that has run out.
	n, m = learned()
	days(n, m, 1.625, 1.625)
	if m.Drift.Active || m.Drift.Up != cfg.DriftSum {
		t.Fatalf("evidence that is just not enough: %+v", m.Drift)
	}
	days(n, m, 1.625)
	if !m.Drift.Active {
		t.Fatalf("not begun: %+v", m.Drift)
	}
	for i, c := range []struct {
		x      float64
		active bool
		calm   int
	}{{1, true, 0}, {1.2, true, 1}, {1.25, true, 0}, {1.2, true, 1}, {1.2, false, 0}} {
		days(n, m, c.x)
		if m.Drift.Active != c.active || m.Drift.Calm != c.calm {
			t.Errorf("day %d at %v: %+v, want active %v, calm %d", i, c.x, m.Drift, c.active, c.calm)
		}
	}
	// No least drift, no drift.
	cfg.DriftSize = 0
	n, m = learned()
	days(n, m, 5, 5, 5, 5)
	if m.Drift.Active {
		t.Errorf("without a least drift: %+v", m.Drift)
	}
}

// A month of days is kept.
func TestDaysOfDepartures(t *testing.T) {
	n, m := NewNeighbours(sensors.Temperature, NeighbourConfig{}), &member{}
	for i := range keepDays + 2 {
		n.closeDay(m, int64(i)*dayMillis, float64(i))
	}
	if len(m.Days) != keepDays || len(m.DayStart) != keepDays || m.Days[0] != 2 || m.DayStart[0] != 2*dayMillis {
		t.Errorf("%d days from %v, %d starts", len(m.Days), m.Days[0], len(m.DayStart))
	}
}

// A day is the median of its hours' means, and wants six hours.
func TestDayOfDepartures(t *testing.T) {
	for hours, want := range map[int][]float64{5: nil, 6: {2.75}} {
		n, m := NewNeighbours(sensors.Temperature, NeighbourConfig{}), &member{}
		at := start.UnixMilli()
		for h := range hours {
			for _, deviation := range []float64{float64(h), float64(h) + 0.5} {
				m.away(at+int64(h)*hourMillis, deviation)
				n.learn(m, at+int64(h)*hourMillis)
			}
		}
		m.away(at+dayMillis, 100)
		n.learn(m, at+dayMillis)
		if d := cmp.Diff(want, m.Days); d != "" {
			t.Errorf("%d hours: %s", hours, d)
		}
		if m.HoursN != 0 || m.HourN != 1 || m.HourSum != 100 {
			t.Errorf("%d hours: the next day begins with %+v", hours, m.Deviations)
		}
		if want != nil && m.DayStart[0] != at {
			t.Errorf("the day begins at %v", millis(m.DayStart[0]))
		}
	}
}

// Clocks that jump to and fro by hours break nothing.
func TestJumpingClocks(t *testing.T) {
	n := NewNeighbours(sensors.Temperature, DefaultNeighbourConfig(sensors.Temperature))
	for i := range 100 {
		at := start.Add(time.Duration(i%2) * 2 * time.Hour)
		for _, id := range []sensors.SensorID{"a", "b", "c"} {
			if _, found := n.Observe(id, at, 20, sensors.Pass); len(found) > 0 {
				t.Fatalf("round %d: %v", i, found)
			}
		}
	}
	if err := n.Restore(n.State()); err != nil {
		t.Error(err)
	}
}
