package roster

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
)

// weeksAhead is how far gaps are looked for.
const weeksAhead = 4

// OnDuty are the people who are called for a priority at an instant, by name: at
// once, and at each step of escalation those who are called besides.
func (r *Roster) OnDuty(at time.Time, p alerts.Priority) (steps [][]string) {
	var known []string
	for rank := 0; ; rank++ {
		reach := r.Reach(Ask{At: at, Priority: p, Rank: rank})
		var step []string
		for _, person := range reach.People() {
			if !slices.Contains(known, person) {
				known, step = append(known, person), append(step, r.Names[person])
			}
		}
		if len(step) > 0 {
			steps = append(steps, step)
		}
		if reach.Nobody || !reach.More {
			return steps
		}
	}
}

// gap is a time in which nobody is called.
type gap struct{ from, to time.Time }

// Gaps says in words when in the weeks ahead nobody is called for alarms of a
// priority that is urgent or has a line, and when everybody of a line is away.
func (r *Roster) Gaps(now time.Time) []string {
	var out []string
	now = now.In(r.Zone)
	for _, p := range []alerts.Priority{alerts.Critical, alerts.High, alerts.Medium, alerts.Low} {
		if p < alerts.High && len(r.Told([]alerts.Priority{p})) == 0 {
			continue
		}
		instead := ""
		if p >= alerts.High {
			instead = "; everybody of the roster would be"
		}
		for _, when := range inWords(r.gaps(now, p)) {
			out = append(out, fmt.Sprintf("nobody is called for %s alarms %s%s", p, when, instead))
		}
	}
	return append(out, r.allAway(dateOf(now))...)
}

// gaps are the times of the weeks before and ahead in which nobody is called.
func (r *Roster) gaps(now time.Time, p alerts.Priority) []gap {
	var list []gap
	instants := r.instants(now)
	for k, at := range instants[:len(instants)-1] {
		if reach := r.Reach(Ask{At: at, Priority: p}); !reach.Nobody && len(reach.Calls)+len(reach.Held) > 0 {
			continue
		}
		if n := len(list); n > 0 && list[n-1].to.Equal(at) {
			list[n-1].to = instants[k+1]
			continue
		}
		list = append(list, gap{at, instants[k+1]})
	}
	last := instants[len(instants)-1]
	if len(list) == 1 && list[0].from.Equal(instants[0]) && list[0].to.Equal(last) {
		return []gap{{}}
	}
	// What the look ahead cuts short is left to a later one.
	return slices.DeleteFunc(list, func(g gap) bool { return !g.to.After(now) || g.to.Equal(last) && g.from.After(now) })
}

// instants are all at which who is called may change, from a week before an
// instant on, and every half hour for clocks that are put forward or back.
func (r *Roster) instants(now time.Time) []time.Time {
	y, m, d := now.Date()
	var list []time.Time
	clocks := []Clock{0}
	for i := range r.Lines {
		if h := r.Lines[i].Hours; h != nil {
			clocks = append(clocks, h.From, h.To)
		}
	}
	for n := -7; n <= 7*weeksAhead; n++ {
		for _, c := range clocks {
			list = append(list, time.Date(y, m, d+n, 0, int(c), 0, 0, r.Zone))
		}
		for half := range 48 {
			list = append(list, time.Date(y, m, d+n, 0, 0, 0, 0, r.Zone).Add(time.Duration(half)*30*time.Minute))
		}
	}
	slices.SortFunc(list, time.Time.Compare)
	return slices.CompactFunc(list, time.Time.Equal)
}

// inWords says when gaps are: those that come back each week by the day of the
// week, others by their date.
func inWords(list []gap) []string {
	weekdays := map[string][]time.Weekday{}
	count := map[string]int{}
	of := func(g gap) (key, clock string) {
		clock = g.from.Format("15:04") + " to " + g.to.Format("15:04")
		if g.to.Sub(g.from) > day {
			clock = fmt.Sprintf("%s to %ss %s", g.from.Format("15:04"), g.to.Weekday(), g.to.Format("15:04"))
		}
		return g.from.Weekday().String() + clock, clock
	}
	for _, g := range list {
		key, clock := of(g)
		if count[key]++; count[key] == weeksAhead-1 {
			weekdays[clock] = append(weekdays[clock], g.from.Weekday())
		}
	}
	var out []string
	for _, g := range list {
		key, clock := of(g)
		var words string
		switch {
		case g == gap{}:
			words = "at any time"
		case count[key] < weeksAhead-1:
			words = fmt.Sprintf("from %s to %s", g.from.Format("Mon 2 Jan 15:04"), g.to.Format("Mon 2 Jan 15:04"))
		case len(weekdays[clock]) == 7:
			words = "every day " + clock
		default:
			names := make([]string, len(weekdays[clock]))
			slices.Sort(weekdays[clock])
			for k, w := range weekdays[clock] {
				names[k] = w.String() + "s"
			}
			words = "on " + strings.Join(names, ", ") + " " + clock
		}
		if !slices.Contains(out, words) {
			out = append(out, words)
		}
	}
	return out
}

// allAway says when in the weeks ahead everybody of a line is away.
func (r *Roster) allAway(today Date) []string {
	var out []string
	for i := range r.Lines {
		l := &r.Lines[i]
		names := make([]string, len(l.People))
		for k, p := range l.People {
			names[k] = r.Names[p]
		}
		var from Date
		for d := today; d <= today.plus(7*weeksAhead); d++ {
			here := slices.ContainsFunc(l.People, func(p string) bool {
				return !slices.ContainsFunc(r.Away[p], func(s Span) bool { return s.contains(d) })
			})
			switch {
			case !here && from == 0:
				from = d
			case here && from != 0:
				out = append(out, fmt.Sprintf("everybody of one line of the roster is away from %s to %s: %s", from, d.plus(-1), strings.Join(names, ", ")))
				from = 0
			}
		}
		if from != 0 {
			out = append(out, fmt.Sprintf("everybody of one line of the roster is away from %s on: %s", from, strings.Join(names, ", ")))
		}
	}
	return out
}
