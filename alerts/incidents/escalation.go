package incidents

import (
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/sensors"
)

// Answer is who was called for an incident, and what came of it.
type Answer struct {
	// Rank is how far the calling has come along those who take turns, from 0.
	Rank int `json:"rank,omitempty"`
	// WaitingSince is since when nobody has answered, zero while somebody has it.
	WaitingSince time.Time `json:"waiting_since,omitzero"`
	// NextAt is when somebody more is called unless one answers, zero for never;
	// Pause is the time between, zero where there is nobody more.
	NextAt time.Time     `json:"next_at,omitzero"`
	Pause  time.Duration `json:"pause,omitempty"`
	// Called are those who were called, in the order of their first call; nil
	// where that was not kept.
	Called []Called `json:"called"`
	// Vain is the answer that led to nothing, nil for none.
	Vain *Vain `json:"vain,omitempty"`
}

// Called is a person who was called, by the id of the roster: for the first and
// for the last time.
type Called struct {
	Person string    `json:"person"`
	At     time.Time `json:"at"`
	LastAt time.Time `json:"last_at"`
}

// Vain is an answer of somebody by which it has not got better: the value Then
// and Now, in Unit; without a unit there is no number.
type Vain struct {
	By    string    `json:"by"`
	At    time.Time `json:"at"`
	Going bool      `json:"going,omitempty"`
	Then  float64   `json:"then,omitempty"`
	Now   float64   `json:"now,omitempty"`
	Unit  string    `json:"unit,omitempty"`
}

// CalledLast is the last call of a person, zero for none.
func (a *Answer) CalledLast(person string) time.Time {
	for _, c := range a.Called {
		if c.Person == person {
			return c.LastAt
		}
	}
	return time.Time{}
}

// Waiting is a person who is not to hear of an incident before an instant.
type Waiting struct {
	Incident int64     `json:"incident"`
	Person   string    `json:"person"`
	Until    time.Time `json:"until"`
}

// Calling is what came of a piece of news: who was called at a time.
type Calling struct {
	Incident int64
	Time     time.Time
	People   []string
	// Waiting are those who hear of it later.
	Waiting []Waiting
	// Rank is that of the call, More says that a higher one reaches more people,
	// after Pause unless one answers before.
	Rank  int
	More  bool
	Pause time.Duration
}

// Called takes in who was called.
func (b *Book) Called(c Calling) {
	b.dueKnown = false
	b.Wait(c.Waiting...)
	k := slices.IndexFunc(b.open, func(i *Incident) bool { return i.Number == c.Incident })
	if k < 0 {
		return
	}
	i := b.open[k]
	if i.Called == nil {
		i.Called = []Called{}
	}
	for _, person := range c.People {
		b.waiting = slices.DeleteFunc(b.waiting, func(w Waiting) bool { return w.Incident == i.Number && w.Person == person })
		at := slices.IndexFunc(i.Called, func(one Called) bool { return one.Person == person })
		if at < 0 {
			i.Called = append(i.Called, Called{person, c.Time, c.Time})
			continue
		}
		i.Called[at].LastAt = c.Time
	}
	i.Rank, i.Pause = c.Rank, 0
	if c.More {
		i.Pause = c.Pause
	}
	begin := c.Time
	if len(c.People) == 0 && len(c.Waiting) > 0 {
		// Nobody has heard of it yet.
		begin = slices.MinFunc(c.Waiting, func(a, b Waiting) int { return a.Until.Compare(b.Until) }).Until
	}
	switch {
	case i.Pause == 0:
		i.NextAt = time.Time{}
	case i.NextAt.IsZero():
		i.NextAt = begin.Add(i.Pause)
	}
}

// Wait has people hear of incidents later, each once.
func (b *Book) Wait(list ...Waiting) {
	b.dueKnown = false
	for _, w := range list {
		same := func(o Waiting) bool { return o.Incident == w.Incident && o.Person == w.Person }
		if !slices.ContainsFunc(b.waiting, same) {
			b.waiting = append(b.waiting, w)
		}
	}
}

// Waits reports whether a person is to hear of an incident later.
func (b *Book) Waits(incident int64, person string) bool {
	return slices.ContainsFunc(b.waiting, func(w Waiting) bool { return w.Incident == incident && w.Person == person })
}

// Due is when something happens next without anything being found out, zero for
// nothing.
func (b *Book) Due() time.Time {
	if !b.dueKnown {
		b.due, b.dueKnown = b.nextDue(), true
	}
	return b.due
}

func (b *Book) nextDue() time.Time {
	var first time.Time
	consider := func(at time.Time) {
		if !at.IsZero() && (first.IsZero() || at.Before(first)) {
			first = at
		}
	}
	for _, i := range b.open {
		if i.QuietAt.IsZero() {
			consider(i.NextAt)
		} else {
			consider(b.over(i))
		}
	}
	for _, w := range b.waiting {
		consider(w.Until)
	}
	return first
}

// escalate calls for more people where nobody has answered in time.
func (b *Book) escalate(now time.Time) []News {
	var news []News
	for _, i := range b.open {
		if i.NextAt.IsZero() || i.NextAt.After(now) || !i.QuietAt.IsZero() {
			continue
		}
		at := i.NextAt
		i.NextAt = time.Time{}
		if !slices.ContainsFunc(i.Members, func(m Member) bool { return m.calls() }) {
			// Somebody or the design keeps all of it quiet.
			i.NextAt = at.Add(i.Pause)
			continue
		}
		i.Rank++
		news = append(news, News{What: Next, Time: at, Incident: i.clone()})
	}
	return news
}

// heard lets those hear of incidents whose time has come: as they are now. Who was
// to be called for what is over, or what another has, need not hear of it.
func (b *Book) heard(now time.Time) []News {
	var news []News
	var rest []Waiting
	for _, w := range b.waiting {
		if w.Until.After(now) {
			rest = append(rest, w)
			continue
		}
		same := func(i Incident) bool { return i.Number == w.Incident }
		if k := slices.IndexFunc(b.ended, same); k >= 0 && !b.ended[k].CalledLast(w.Person).IsZero() {
			news = append(news, News{What: Over, Time: w.Until, Incident: b.ended[k].clone(), To: w.Person})
		}
		for _, i := range b.open {
			if !same(*i) || !i.QuietAt.IsZero() || i.TakenBy != "" {
				continue
			}
			what := Call
			if !i.CalledLast(w.Person).IsZero() {
				what = Again
			}
			news = append(news, News{What: what, Time: w.Until, Incident: i.clone(), To: w.Person})
		}
	}
	b.waiting = rest
	return news
}

// answered takes note that somebody has taken the incident on.
func (i *Incident) answered(t *alerts.Transition) {
	i.TakenBy, i.TakenAt, i.Going = t.Who, t.Time, t.Event == alerts.EventGoing
	i.WaitingSince, i.NextAt, i.Vain = time.Time{}, time.Time{}, nil
}

// unanswered takes note of a call of a member that waits for somebody.
func (i *Incident) unanswered(t *alerts.Transition) {
	switch {
	case i.TakenBy != "" && t.Event == alerts.EventInVain:
		i.Vain = &Vain{By: i.TakenBy, At: i.TakenAt, Going: i.Going, Unit: t.Alarm.Unit}
		if t.Alarm.Unit != "" {
			i.Vain.Then, i.Vain.Now = t.Alarm.AckedValue, t.Alarm.Value
		}
	case i.TakenBy != "":
		i.Rank, i.Vain = 0, nil
	}
	if i.TakenBy != "" || i.WaitingSince.IsZero() {
		i.WaitingSince, i.NextAt = t.Time, time.Time{}
	}
	i.TakenBy, i.TakenAt, i.Going = "", time.Time{}, false
}

// wake goes on with the calling of an incident that was quiet for a while.
func (i *Incident) wake(at time.Time) {
	if i.TakenBy == "" && i.Pause > 0 && !i.NextAt.IsZero() {
		i.NextAt = at.Add(i.Pause)
	}
}

// Resume takes in that time went on from one instant at another without anything
// being observed, see alerts.Machine. What was due meanwhile is due at the other.
func (b *Book) Resume(from, at time.Time, passed bool) {
	b.dueKnown = false
	by := at.Sub(from)
	if !passed || by < 0 {
		b.Move(by)
		return
	}
	late := func(due time.Time) time.Time {
		if !due.IsZero() && due.Before(at) {
			return at
		}
		return due
	}
	for _, i := range b.open {
		i.NextAt = late(i.NextAt)
	}
	for k := range b.waiting {
		b.waiting[k].Until = late(b.waiting[k].Until)
	}
}

// moveAnswers moves what is waited for with a clock that was moved. Quiet hours
// end by the clock on the wall, however it was moved.
func (i *Incident) moveAnswers(by time.Duration) { i.NextAt = sensors.Moved(i.NextAt, by) }
