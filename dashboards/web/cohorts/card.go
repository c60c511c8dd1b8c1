// Package cohorts makes the pages about the animals: the cohorts, what is
// expected of them, plans, and what finished cohorts taught.
package cohorts

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/page"
)

// Card is a cohort with what comes next.
type Card struct {
	*snapshot.Cohort
	RoomName string
	Next     *snapshot.ExpectedEvent
	// Latin is the scientific name where SpeciesName is a common one.
	Latin string
	// NextName is the stage the animals enter next.
	NextName string
	// EstimatedShare is the part of the thermal time gathered over gaps.
	EstimatedShare float64
	// Conflict is set when the newest count does not fit what was known.
	Conflict bool
	V        *page.View
}

// CardOf makes the card of a cohort.
func CardOf(v *page.View, c *snapshot.Cohort) Card {
	m := Card{Cohort: c, RoomName: v.S.RoomName(c.Room), V: v}
	if s, err := v.S.SpeciesOf(c.Species); err == nil && s.ScientificName != c.SpeciesName {
		m.Latin = s.ScientificName
	}
	if len(c.Expected) > 0 {
		m.Next = &c.Expected[0]
		m.NextName = v.S.StageName(c.Species, m.Next.Stage)
	}
	if n := len(c.Verdicts); n > 0 {
		m.Conflict = c.Verdicts[n-1].Conflict
	}
	if c.ThermalTime > 0 {
		m.EstimatedShare = c.Estimated / c.ThermalTime
	}
	return m
}

// Group is the cohorts whose next event falls into one span of days.
type Group struct {
	Name    string
	Cohorts []Card
}

// Groups orders cohorts by their next event: what a keeper has to do today
// comes first. An event whose interval has begun counts as today's.
func Groups(v *page.View) []Group {
	const today, thisWeek, later, nothing = 0, 1, 2, 3
	groups := []Group{{Name: "Today"}, {Name: "Within seven days"}, {Name: "Later"}, {Name: "Nothing expected"}}
	now := format.DayNumber(v.S.Time.In(v.Loc))
	for i := range v.S.Cohorts {
		c := CardOf(v, &v.S.Cohorts[i])
		g := nothing
		if c.Next != nil {
			switch days := format.DayNumber(c.Next.Median.In(v.Loc)) - now; {
			case days <= 0 || !c.Next.Early.IsZero() && format.DayNumber(c.Next.Early.In(v.Loc)) <= now:
				g = today
			case days <= 7:
				g = thisWeek
			default:
				g = later
			}
		}
		groups[g].Cohorts = append(groups[g].Cohorts, c)
	}
	for _, g := range groups[:nothing] {
		slices.SortStableFunc(g.Cohorts, func(a, b Card) int { return a.Next.Median.Compare(b.Next.Median) })
	}
	return slices.DeleteFunc(groups, func(g Group) bool { return len(g.Cohorts) == 0 })
}

// Expected is one event of one cohort with the animals expected to pass it.
type Expected struct {
	Cohort    *snapshot.Cohort
	Event     species.EventName
	StageName string
	// Today and Week are nil where none are expected.
	Today, Week *forecast.DayNumbers
	Days        []*forecast.DayNumbers
}

// leastShown is the number of animals from which on an event is worth a line.
const leastShown = 0.5

// ExpectedOf lists the events of the cohorts for which animals are expected
// within a week, the most today first.
func ExpectedOf(v *page.View, cohorts []snapshot.Cohort) []Expected {
	today := format.DayNumber(v.S.Time.In(v.Loc))
	var rows []Expected
	for i := range cohorts {
		c := &cohorts[i]
		for k := range c.Week {
			week := &c.Week[k]
			if week.Expected < leastShown {
				continue
			}
			row := Expected{Cohort: c, Event: week.Event, StageName: v.S.StageName(c.Species, week.Stage), Week: week}
			for d := range c.Daily {
				day := &c.Daily[d]
				if day.Stage != week.Stage {
					continue
				}
				row.Days = append(row.Days, day)
				if format.DayNumber(day.Day.In(v.Loc)) == today && day.Expected >= leastShown {
					row.Today = day
				}
			}
			rows = append(rows, row)
		}
	}
	slices.SortStableFunc(rows, func(a, b Expected) int { return cmp.Compare(b.today(), a.today()) })
	return rows
}

func (r Expected) today() float64 {
	if r.Today == nil {
		return 0
	}
	return r.Today.Expected
}

// Animals writes an expected number with its interval in whole animals.
func Animals(n *forecast.DayNumbers) string {
	if n == nil {
		return "–"
	}
	low := math.Floor(n.Low + 0.5)
	high := math.Max(low, math.Ceil(n.High-0.5))
	switch few := n.Expected < leastShown; {
	case few && high < 1:
		return "few"
	case few:
		return fmt.Sprintf("few (up to %.0f)", high)
	}
	return fmt.Sprintf("%.0f (%.0f – %.0f)", n.Expected, low, high)
}

// countModel is a count with the verdict on it.
type countModel struct {
	population.Count
	Verdict *population.Verdict
}

func countsOf(c *snapshot.Cohort) []countModel {
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
func rateText(c *snapshot.Cohort) string {
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
