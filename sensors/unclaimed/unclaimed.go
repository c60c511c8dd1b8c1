// Package unclaimed remembers the topics seen on the broker that no sensor
// claims, with what tells whether one is a sensor and of what: their latest
// payloads, a guess at the format, and the course of their numbers.
package unclaimed

import (
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// Topics are the topics seen on the broker that no sensor claims. They belong
// to one goroutine.
type Topics struct {
	topics map[string]*topic
	// letGo counts topics that had to make room; left are those let go or not
	// taken up lately, by hash, so that one that comes again is told from one
	// that was seen once.
	letGo int
	left  map[uint64]bool
}

// topic is one topic, or a device with several.
type topic struct {
	first, last time.Time
	count       uint64
	// again is set when it had been let go before.
	again bool
	// newest is the topic of the newest message.
	newest   string
	payloads []Excerpt
	guess    payload.Guess
	traces   map[string][]quality.TracePoint
	// view is made when somebody looks and kept until the next message.
	view *TopicView
}

// Excerpt is the start of a message's payload, escaped for display.
type Excerpt struct {
	Time    time.Time `json:"time"`
	Topic   string    `json:"topic"`
	Excerpt string    `json:"excerpt"`
}

// topicsKept bounds the topics remembered, leftKept those remembered by hash
// alone, payloadsKept the payloads of each, tracedPoints and tracedFields what is kept for telling them apart.
// Messages of one topic within examineEvery are counted and not examined.
const (
	topicsKept   = 500
	leftKept     = 20_000
	payloadsKept = 3
	tracedPoints = 48
	tracedFields = 8
	examineEvery = time.Second
)

// New returns topics of which none was seen yet.
func New() Topics {
	return Topics{topics: make(map[string]*topic), left: make(map[uint64]bool)}
}

// Forget drops a topic that a sensor has claimed.
func (u *Topics) Forget(name string) { delete(u.topics, name) }

// LetGo is how often a topic had to make room for another.
func (u *Topics) LetGo() int { return u.letGo }

// Move takes in that the clock by which messages arrive was moved by a span.
func (u *Topics) Move(by time.Duration) {
	for _, t := range u.topics {
		t.first, t.last, t.view = t.first.Add(by), t.last.Add(by), nil
	}
}

// Note remembers a message of a topic that nobody claims.
func (u *Topics) Note(m sensors.Message, arrival time.Time, claimed map[string]bool) {
	name, ok := payload.ClaimTopic(m.Topic)
	if !ok || len(m.Payload) == 0 || claimed[name] {
		return
	}
	t := u.topics[name]
	if t == nil {
		if t = u.takeUp(name, m, arrival); t == nil {
			return
		}
	}
	examine := t.count == 0 || t.newest != m.Topic || arrival.Sub(t.last) >= examineEvery
	t.last, t.newest, t.view = arrival, m.Topic, nil
	t.count++
	if examine {
		t.examine(m, arrival)
	}
}

// forgottenAfter is how long a topic that is silent keeps its place before all
// that are not.
const forgottenAfter = 24 * time.Hour

// worth orders topics by how much it would be missed: whether it is still
// heard, looks like a sensor, and has been heard more than once.
type worth struct {
	heard, number, air, again bool
	last                      time.Time
}

func (w worth) compare(o worth) int {
	for _, pair := range [...][2]bool{{w.heard, o.heard}, {w.air, o.air}, {w.number, o.number}, {w.again, o.again}} {
		switch {
		case pair[0] && !pair[1]:
			return 1
		case pair[1] && !pair[0]:
			return -1
		}
	}
	return w.last.Compare(o.last)
}

func (t *topic) worth(now time.Time) worth {
	return worth{
		heard: now.Sub(t.last) < forgottenAfter, number: len(t.guess.Fields) > 0,
		air:   slices.ContainsFunc(t.guess.Fields, func(f payload.GuessedField) bool { return f.Quantity != 0 }),
		again: t.again || t.count > 1, last: t.last,
	}
}

// takeUp finds a place for a topic that has none. Where all are taken, the one
// that would be missed least goes, which can be the new one: then it is nil.
func (u *Topics) takeUp(name string, m sensors.Message, arrival time.Time) *topic {
	t := &topic{first: arrival, last: arrival, again: u.left[hash(name)], traces: make(map[string][]quality.TracePoint)}
	if len(u.topics) < topicsKept {
		u.topics[name] = t
		return t
	}
	if g, ok := payload.Recognize(m.Topic, m.Payload); ok {
		t.guess.Fields = g.Fields
	}
	least, leastName := t.worth(arrival), name
	for otherName, other := range u.topics {
		w := other.worth(arrival)
		if d := w.compare(least); d < 0 || d == 0 && otherName < leastName {
			least, leastName = w, otherName
		}
	}
	if len(u.left) >= leftKept {
		clear(u.left)
	}
	u.letGo++
	u.left[hash(leastName)] = true
	if leastName == name {
		return nil
	}
	delete(u.topics, leastName)
	t.guess.Fields = nil // examined with the message
	u.topics[name] = t
	return t
}

// hash stands for a topic, the same in every run.
func hash(name string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(name)) // never fails
	return h.Sum64()
}

// examine keeps what a message shows.
func (t *topic) examine(m sensors.Message, arrival time.Time) {
	if len(t.payloads) >= payloadsKept {
		t.payloads = slices.Delete(t.payloads, 0, 1)
	}
	t.payloads = append(t.payloads, Excerpt{arrival, m.Topic, sensors.Excerpt(m.Payload)})
	g, ok := payload.Recognize(m.Topic, m.Payload)
	if !ok {
		return
	}
	t.guess.Format, t.guess.Topic = g.Format, g.Topic
	if g.Time != nil {
		t.guess.Time = g.Time
	}
	for _, f := range g.Fields {
		i := slices.IndexFunc(t.guess.Fields, func(o payload.GuessedField) bool { return o.At == f.At })
		switch {
		case i >= 0:
			if t.guess.Fields[i].Quantity == f.Quantity || f.Quantity != 0 {
				t.guess.Fields[i] = f
			} else {
				t.guess.Fields[i].Value = f.Value
			}
		case len(t.guess.Fields) < tracedFields:
			t.guess.Fields = append(t.guess.Fields, f)
		default:
			continue
		}
		if m.Retained {
			// Of unknown age: it tells the format and not the course.
			continue
		}
		trace := t.traces[f.At]
		if len(trace) >= tracedPoints {
			trace = slices.Delete(trace, 0, 1)
		}
		t.traces[f.At] = append(trace, quality.TracePoint{Time: arrival, Value: f.Value})
	}
}

// TopicView is a topic that no sensor claims, as people see it.
type TopicView struct {
	// Topic is the topic to claim: the device's for Sparkplug and Homie.
	Topic       string
	First, Last time.Time
	Count       uint64
	// PerMinute is how many messages come in a minute, 0 while unknown.
	PerMinute float64
	Payloads  []Excerpt
	// Format is empty when the messages hold no number.
	Format payload.Format
	Time   *payload.TimeSpec
	Fields []FieldView
}

// FieldView is one number in the messages of an unclaimed topic.
type FieldView struct {
	payload.GuessedField
	// Trace is its recent course, oldest first.
	Trace []quality.TracePoint
}

// List are all unclaimed topics, those that tell something first, and among
// equals those that were heard more than once.
func (u *Topics) List() []TopicView {
	out := make([]TopicView, 0, len(u.topics))
	for name, t := range u.topics {
		if t.view == nil {
			t.view = t.show(name)
		}
		out = append(out, *t.view)
	}
	rank := func(v TopicView) int {
		rank := 4
		switch {
		case len(v.Fields) > 0 && v.Fields[0].Quantity != 0:
			rank = 0
		case len(v.Fields) > 0:
			rank = 2
		}
		if v.Count == 1 {
			rank++
		}
		return rank
	}
	slices.SortFunc(out, func(a, b TopicView) int {
		if d := rank(a) - rank(b); d != 0 {
			return d
		}
		return strings.Compare(a.Topic, b.Topic)
	})
	return out
}

func (t *topic) show(name string) *TopicView {
	v := &TopicView{
		Topic: name, First: t.first, Last: t.last, Count: t.count,
		Payloads: slices.Clone(t.payloads), Format: t.guess.Format, Time: t.guess.Time,
	}
	if minutes := t.last.Sub(t.first).Minutes(); t.count > 1 && minutes > 0 {
		v.PerMinute = float64(t.count-1) / minutes
	}
	for _, f := range t.guess.Fields {
		v.Fields = append(v.Fields, FieldView{f, slices.Clone(t.traces[f.At])})
	}
	slices.SortStableFunc(v.Fields, func(a, b FieldView) int { return fieldRank(a) - fieldRank(b) })
	return v
}

func fieldRank(f FieldView) int {
	if f.Quantity == 0 {
		return int(sensors.SignalStrength) + 1
	}
	return int(f.Quantity)
}
