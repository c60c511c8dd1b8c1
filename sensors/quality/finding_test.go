package quality

import (
	"testing"

	"rearguard/sensors"
)

// Seconds are told in the unit a person reads them in.
func TestTextsOfFindings(t *testing.T) {
	for want, f := range map[string]Finding{
		"unchanged for 4.5 h, longer than 3.0 h":                        {Check: CheckFlatLine, Size: 16200, Limit: 10800},
		"saturated for 90 min: sensor is wet or the room condenses":     {Check: CheckCondensing, Size: 5400},
		"first reading after 1801 s":                                    {Check: CheckGap, Size: 1801},
		"silent for 900 s, longer than its habit of 300 s":              {Check: CheckSilent, Size: 900, Limit: 300},
		"drifted by -0.75 against the other sensors of the room since ": {Check: CheckDrift, Size: -0.75},
		"left 4 times within 6 h":                                       {Check: CheckFlapping, Size: 4, Limit: 6},
	} {
		if got := f.String(); got != want && (f.Check != CheckDrift || got != want+f.Since.Format("2006-01-02")) {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// A checkpoint that no comparison has written is refused.
func TestNeighboursRestoreRefuses(t *testing.T) {
	days := func(n int) ([]float64, []int64) { return make([]float64, n), make([]int64, n) }
	for name, c := range map[string]struct {
		change func(*NeighboursState)
		good   bool
	}{
		"a month":           {func(s *NeighboursState) { s.Members[0].Days, s.Members[0].DayStart = days(keepDays) }, true},
		"more than a month": {func(s *NeighboursState) { s.Members[0].Days, s.Members[0].DayStart = days(keepDays + 1) }, false},
		"a start too many":  {func(s *NeighboursState) { s.Members[0].Days, s.Members[0].DayStart = []float64{1}, []int64{1, 2} }, false},
		"all hours":         {func(s *NeighboursState) { s.Members[1].HoursN = 24 }, true},
		"no hour":           {func(s *NeighboursState) { s.Members[1].HoursN = 0 }, true},
		"hours too many":    {func(s *NeighboursState) { s.Members[1].HoursN = 25 }, false},
		"hours too few":     {func(s *NeighboursState) { s.Members[1].HoursN = -1 }, false},
		"one sensor twice":  {func(s *NeighboursState) { s.Members[1].ID = s.Members[0].ID }, false},
		"out of order":      {func(s *NeighboursState) { s.Members[1].ID = "0" }, false},
		"another quantity":  {func(s *NeighboursState) { s.Quantity = sensors.Battery }, false},
	} {
		n := trio(NeighbourConfig{}, start, 20, 21, 22)
		s := n.State()
		c.change(&s)
		if err := n.Restore(s); (err == nil) != c.good {
			t.Errorf("%s: %v, want it taken: %v", name, err, c.good)
		}
	}
}
