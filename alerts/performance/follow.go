package performance

import (
	"slices"
	"time"

	"rearguard/alerts"
)

// follower goes through the audit in order and keeps what is open.
type follower struct {
	p           Period
	active      map[alerts.Key]time.Time
	recent      map[alerts.Key][]time.Time
	calledAt    map[int64]time.Time
	called      map[int64]bool
	acted       map[int64]bool
	chattering  map[alerts.Key]int
	fleeting    map[alerts.Key]int
	acknowledge []time.Duration
	stale       []Standing
}

// follow fills what needs the course of each alarm.
func (r *Report) follow(entries []Entry, p Period) {
	f := &follower{
		p: p, active: map[alerts.Key]time.Time{}, recent: map[alerts.Key][]time.Time{},
		calledAt: map[int64]time.Time{}, called: map[int64]bool{}, acted: map[int64]bool{},
		chattering: map[alerts.Key]int{}, fleeting: map[alerts.Key]int{},
	}
	for _, e := range entries {
		if !e.Time.Before(p.To) {
			break
		}
		f.take(e)
		if !p.contains(e.Time) {
			continue
		}
		switch e.Event {
		case alerts.EventShelve:
			r.Shelvings++
		case alerts.EventOutOfService:
			r.OutOfService++
		}
	}
	for key, since := range f.active {
		f.stand(key, since, p.To)
	}
	slices.SortFunc(f.stale, func(a, b Standing) int {
		if c := a.Since.Compare(b.Since); c != 0 {
			return c
		}
		return a.Key.Compare(b.Key)
	})
	r.Stale = f.stale
	r.Chattering, r.Fleeting = keyCounts(f.chattering), keyCounts(f.fleeting)
	r.Acknowledgement = spread(f.acknowledge)
	r.Unacknowledged = len(f.calledAt)
	if p.Actions != nil {
		r.WithoutAction = 0
		for occurrence := range f.called {
			if !p.Actions[occurrence] {
				r.WithoutAction++
			}
		}
	}
}

func (f *follower) take(e Entry) {
	within := f.p.contains(e.Time)
	switch e.Event {
	case alerts.EventRaise, alerts.EventRecur:
		f.active[e.Key] = e.Time
		f.recent[e.Key] = append(f.recent[e.Key], e.Time)
		times := f.recent[e.Key]
		times = times[max(0, len(times)-chatterCount):]
		f.recent[e.Key] = times
		if within && len(times) == chatterCount && e.Time.Sub(times[0]) <= chatterWithin {
			f.chattering[e.Key]++
		}
	case alerts.EventReturn:
		since, known := f.active[e.Key]
		if known && within && e.Time.Sub(since) < chatterWithin && !f.acted[e.Occurrence] {
			f.fleeting[e.Key]++
		}
		if known {
			f.stand(e.Key, since, e.Time)
		}
		delete(f.active, e.Key)
	case alerts.EventAcknowledge, alerts.EventGoing, alerts.EventShelve, alerts.EventOutOfService:
		if e.Occurrence == 0 {
			break
		}
		f.acted[e.Occurrence] = true
		if called, waiting := f.calledAt[e.Occurrence]; waiting {
			if within {
				f.acknowledge = append(f.acknowledge, e.Time.Sub(called))
			}
			delete(f.calledAt, e.Occurrence)
		}
	}
	if e.Annunciate {
		if _, waiting := f.calledAt[e.Occurrence]; !waiting {
			f.calledAt[e.Occurrence] = e.Time
		}
		f.acted[e.Occurrence] = false
		if within {
			f.called[e.Occurrence] = true
		}
	}
}

// stand notes an activity that lasted for more than a day, by as much of it
// as ended within the period.
func (f *follower) stand(key alerts.Key, since, until time.Time) {
	if active := until.Sub(since); active > staleAfter && until.After(f.p.From) {
		f.stale = append(f.stale, Standing{Key: key, Since: since, Active: active})
	}
}

// spread uses the nearest-rank percentile: every figure is one that occurred.
func spread(values []time.Duration) Spread {
	n := len(values)
	if n == 0 {
		return Spread{}
	}
	slices.Sort(values)
	rank := func(percent int) time.Duration { return values[(n*percent+99)/100-1] }
	return Spread{Count: n, Median: rank(50), P90: rank(90), Longest: values[n-1]}
}
