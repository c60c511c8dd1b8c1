package roster_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/roster"
)

// naive goes through a year minute by minute with a calendar and a clock on the
// wall, and says at each minute who of a line is called first, second and so on.
type naive struct {
	r *roster.Roster
	l *roster.Line
	// turns counts the weeks that have been handed over, from the first handover
	// on the day the list begins or after it.
	turns   int
	started bool
	// seen are the days on which it has been handed over, for a clock that is put
	// back shows the time twice.
	seen map[string]bool
}

func wallOf(now time.Time) int { return now.Hour()*60 + now.Minute() }

// minute takes in what the clock on the wall shows now.
func (n *naive) minute(now time.Time) {
	h := n.l.HandsOver
	if now.Weekday() != h.Day || wallOf(now) < int(h.At) {
		return
	}
	today := now.Format(time.DateOnly)
	if n.seen[today] {
		return
	}
	n.seen[today] = true
	switch {
	case n.started:
		n.turns++
	case today >= n.l.From.String():
		n.started = true
	}
}

// there are the people of the line in the order of their turns but for who is
// away.
func (n *naive) there(now time.Time) []string {
	today := now.Format(time.DateOnly)
	list := slices.Clone(n.l.People)
	if n.l.Turns == roster.Weekly {
		for range n.turns % len(list) {
			list = append(list[1:], list[0])
		}
	}
	return slices.DeleteFunc(list, func(p string) bool {
		return slices.ContainsFunc(n.r.Away[p], func(s roster.Span) bool { return today >= s.From.String() && today <= s.To.String() })
	})
}

// within tells whether the clock is within hours, and whether these began the
// day before.
func within(h roster.Hours, now time.Time) (in, yesterday bool) {
	shown := wallOf(now)
	for m := range 24 * 60 {
		wall := (int(h.From) + m) % (24 * 60)
		if wall == int(h.To) {
			return false, false
		}
		if wall == shown {
			return true, int(h.From)+m >= 24*60
		}
	}
	return false, false
}

// holds tells by the words of the configuration whether the line holds.
func (n *naive) holds(now time.Time) bool {
	day := now
	if n.l.Hours != nil {
		in, yesterday := within(*n.l.Hours, now)
		if !in {
			return false
		}
		if yesterday {
			day = time.Date(now.Year(), now.Month(), now.Day()-1, 12, 0, 0, 0, time.UTC)
		}
	}
	if len(n.l.Days) == 0 {
		return true
	}
	holiday := slices.ContainsFunc(n.r.Holidays, func(d roster.Date) bool { return d.String() == day.Format(time.DateOnly) })
	return slices.ContainsFunc(n.l.Days, func(d roster.Days) bool {
		if d.Holidays || holiday {
			return d.Holidays && holiday
		}
		week := "sun mon tue wed thu fri sat sun mon tue wed thu fri sat"
		span := week[4*int(d.First):]
		span = span[:strings.Index(span, week[4*int(d.Last):4*int(d.Last)+3])+3]
		return strings.Contains(span, week[4*int(day.Weekday()):4*int(day.Weekday())+3])
	})
}

func (n *naive) quiet(now time.Time) bool {
	h, ok := n.l.Quiet[alerts.High]
	if !ok {
		return false
	}
	in, _ := within(h, now)
	return in
}

// drawn is a line with turns, hours, days and quiet hours by chance.
func drawn(rnd *rand.Rand) roster.Line {
	clock := func() string {
		return fmt.Sprintf("%02d:%02d", rnd.IntN(24), []int{0, 1, 30, 59}[rnd.IntN(4)])
	}
	window := func() *roster.Hours {
		from, to := clock(), clock()
		if from == to {
			to = "12:34"
		}
		return hours(from + ".." + to)
	}
	l := roster.Line{
		People: []string{"a", "b", "c"}, Channels: []string{"phone"}, Priorities: all,
		Turns: []roster.Turns{roster.Together, roster.InOrder, roster.Weekly, roster.Weekly}[rnd.IntN(4)],
		From:  date(fmt.Sprintf("2026-%02d-%02d", 1+rnd.IntN(4), 1+rnd.IntN(28))), HandsOver: handover([]string{"sun", "mon", "sat"}[rnd.IntN(3)] + " " + clock()),
	}
	if rnd.IntN(4) > 0 {
		l.Hours = window()
	}
	for _, text := range []string{"mon..fri", "sat", "sun", "sun..tue", "fri..mon", "holidays"} {
		if rnd.IntN(3) == 0 {
			l.Days = append(l.Days, days(text)...)
		}
	}
	if rnd.IntN(2) == 0 {
		l.Quiet = map[alerts.Priority]roster.Hours{alerts.High: *window(), alerts.Critical: *window()}
	}
	return l
}

// A year of schedules, minute by minute, is what somebody finds who counts with
// a calendar and a clock on the wall.
func TestSchedulesOverAYear(t *testing.T) {
	for seed := range uint64(10) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 1))
			r := &roster.Roster{
				Zone: berlin, Names: map[string]string{"a": "A", "b": "B", "c": "C"}, Lines: []roster.Line{drawn(rnd)},
				Away:     map[string][]roster.Span{"b": {{From: date("2026-03-28"), To: date("2026-03-30")}, {From: date("2026-10-25"), To: date("2026-10-25")}}},
				Holidays: []roster.Date{date("2026-01-01"), date("2026-03-29"), date("2026-05-01")},
			}
			n := &naive{r: r, l: &r.Lines[0], seen: map[string]bool{}}
			for m := range 365 * 24 * 60 {
				now := time.Date(2025, 12, 31, 23, m, 0, 0, time.UTC).In(berlin)
				n.minute(now)
				changing := now.Month() == 3 && now.Day() == 29 || now.Month() == 10 && now.Day() == 25
				if n.started && (changing || rnd.IntN(40) == 0) {
					n.compare(t, now, rnd.IntN(4))
				}
			}
		})
	}
}

// compare compares what the roster says with what was counted.
func (n *naive) compare(t *testing.T, now time.Time, rank int) {
	var want []string
	if n.holds(now) {
		want = n.there(now)
		if n.l.Turns != roster.Together {
			want = want[:min(rank+1, len(want))]
		}
	}
	got := n.r.Reach(roster.Ask{At: now.UTC(), Priority: alerts.High, Rank: rank})
	quiet := n.quiet(now) && len(want) > 0
	switch {
	case got.Nobody:
		if len(want) > 0 || len(got.People()) != 3 {
			t.Fatalf("%v: everybody is called, want %v (line %+v)", now, want, n.l)
		}
	case quiet && (len(got.Calls) > 0 || !slices.Equal(got.Waiting(), slices.Sorted(slices.Values(want)))), !quiet && !slices.Equal(got.People(), want):
		t.Fatalf("%v: called %v, held %v, want %v, quiet %v (line %+v)", now, got.Calls, got.Held, want, quiet, n.l)
	}
	for _, h := range got.Held {
		until := h.Until.In(berlin)
		if n.quiet(until) || !n.quiet(until.Add(-time.Minute)) || until.Sub(now) > 25*time.Hour {
			t.Fatalf("%v: quiet until %v (line %+v)", now, until, n.l)
		}
	}
	if critical := n.r.Reach(roster.Ask{At: now, Priority: alerts.Critical, Rank: rank}); len(critical.Held) > 0 || len(critical.Calls) == 0 {
		t.Fatalf("%v: a critical call reaches %+v", now, critical)
	}
}
