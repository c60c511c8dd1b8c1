package web

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
)

// expectedRow is one event of one cohort with the animals expected to pass it.
type expectedRow struct {
	Cohort    *daemon.CohortView
	Event     string
	StageName string
	// Today and Week are nil where none are expected.
	Today, Week *rearing.DayNumbers
	Days        []*rearing.DayNumbers
}

// leastShown is the number of animals from which on an event is worth a line.
const leastShown = 0.5

// expectedOf lists the events of the cohorts for which animals are expected
// within a week, the most today first.
func expectedOf(v *view, cohorts []daemon.CohortView) []expectedRow {
	today := dayNumber(v.S.Time.In(v.Loc))
	var rows []expectedRow
	for i := range cohorts {
		c := &cohorts[i]
		for k := range c.Week {
			week := &c.Week[k]
			if week.Expected < leastShown {
				continue
			}
			row := expectedRow{Cohort: c, Event: week.Event, StageName: v.stageName(c.Species, week.Stage), Week: week}
			for d := range c.Daily {
				day := &c.Daily[d]
				if day.Stage != week.Stage {
					continue
				}
				row.Days = append(row.Days, day)
				if dayNumber(day.Day.In(v.Loc)) == today && day.Expected >= leastShown {
					row.Today = day
				}
			}
			rows = append(rows, row)
		}
	}
	slices.SortStableFunc(rows, func(a, b expectedRow) int {
		switch x, y := a.today(), b.today(); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	return rows
}

func (r expectedRow) today() float64 {
	if r.Today == nil {
		return 0
	}
	return r.Today.Expected
}

// animals writes an expected number with its interval in whole animals.
func animals(n *rearing.DayNumbers) string {
	if n == nil {
		return "–"
	}
	low, high := math.Floor(n.Low+0.5), math.Ceil(n.High-0.5)
	if n.Expected < leastShown {
		return fmt.Sprintf("few (%.0f – %.0f)", low, math.Max(low, high))
	}
	return fmt.Sprintf("%.0f (%.0f – %.0f)", n.Expected, low, math.Max(low, high))
}

func day(t time.Time, loc *time.Location) string { return t.In(loc).Format("Mon 2 Jan") }

// countModel is a count with the verdict on it.
type countModel struct {
	rearing.Count
	Verdict *rearing.Verdict
}

func countsOf(c *daemon.CohortView) []countModel {
	var out []countModel
	for _, n := range c.Counts {
		m := countModel{Count: n}
		for i := range c.Verdicts {
			if c.Verdicts[i].Count == n.ID && !n.Undone {
				m.Verdict = &c.Verdicts[i]
			}
		}
		out = append(out, m)
	}
	return out
}

// rateText says how a cohort runs against its species, empty while no count
// has told.
func rateText(c *daemon.CohortView) string {
	if len(c.Verdicts) == 0 {
		return ""
	}
	off := 100 * (c.Rate - 1)
	doubt := 100 * c.RateSD
	switch {
	case math.Abs(off) < doubt:
		return fmt.Sprintf("as fast as its species, within ± %.0f %%", doubt)
	case off > 0:
		return fmt.Sprintf("%.0f %% faster than its species (± %.0f %%)", off, doubt)
	}
	return fmt.Sprintf("%.0f %% slower than its species (± %.0f %%)", -off, doubt)
}
