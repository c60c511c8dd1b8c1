package desk

import (
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// unclaimed are the topics seen on the broker that no sensor claims.
type unclaimed struct {
	topics map[string]*unclaimedTopic
	// letGo counts topics that had to make room; left are those let go or not
	// taken up lately, by hash, so that one that comes again is told from one
	// that was seen once.
	letGo int
	left  map[uint64]bool
}

// unclaimedTopic is a topic, or a device with several, that no sensor claims.
type unclaimedTopic struct {
	first, last time.Time
	count       uint64
	// again is set when it had been let go before.
	again bool
	// newest is the topic of the newest message.
	newest   string
	payloads []PayloadExcerpt
	guess    payload.Guess
	traces   map[string][]quality.TracePoint
	// view is made when somebody looks and kept until the next message.
	view *UnclaimedTopic
}

// PayloadExcerpt is the start of a message's payload, escaped for display.
type PayloadExcerpt struct {
	Time    time.Time `json:"time"`
	Topic   string    `json:"topic"`
	Excerpt string    `json:"excerpt"`
}

// unclaimedKept bounds the topics remembered, leftKept those remembered by hash
// alone, payloadsKept the payloads of each, tracedPoints and tracedFields what is kept for telling them apart.
// Messages of one topic within examineEvery are counted and not examined.
const (
	unclaimedKept = 500
	leftKept      = 20_000
	payloadsKept  = 3
	tracedPoints  = 48
	tracedFields  = 8
	examineEvery  = time.Second
)

// forget drops a topic that a sensor has claimed.
func (u *unclaimed) forget(topic string) { delete(u.topics, topic) }

// note remembers a message of a topic that nobody claims.
func (u *unclaimed) note(m sensors.Message, arrival time.Time, claimed map[string]bool) {
	topic, ok := payload.ClaimTopic(m.Topic)
	if !ok || len(m.Payload) == 0 || claimed[topic] {
		return
	}
	t := u.topics[topic]
	if t == nil {
		if t = u.takeUp(topic, m, arrival); t == nil {
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

func (t *unclaimedTopic) worth(now time.Time) worth {
	return worth{
		heard: now.Sub(t.last) < forgottenAfter, number: len(t.guess.Fields) > 0,
		air:   slices.ContainsFunc(t.guess.Fields, func(f payload.GuessedField) bool { return f.Quantity != 0 }),
		again: t.again || t.count > 1, last: t.last,
	}
}

// takeUp finds a place for a topic that has none. Where all are taken, the one
// that would be missed least goes, which can be the new one: then it is nil.
func (u *unclaimed) takeUp(topic string, m sensors.Message, arrival time.Time) *unclaimedTopic {
	t := &unclaimedTopic{first: arrival, last: arrival, again: u.left[hash(topic)], traces: make(map[string][]quality.TracePoint)}
	if len(u.topics) < unclaimedKept {
		u.topics[topic] = t
		return t
	}
	if g, ok := payload.Recognize(m.Topic, m.Payload); ok {
		t.guess.Fields = g.Fields
	}
	least, leastName := t.worth(arrival), topic
	for name, other := range u.topics {
		w := other.worth(arrival)
		if d := w.compare(least); d < 0 || d == 0 && name < leastName {
			least, leastName = w, name
		}
	}
	if len(u.left) >= leftKept {
		clear(u.left)
	}
	u.letGo++
	u.left[hash(leastName)] = true
	if leastName == topic {
		return nil
	}
	delete(u.topics, leastName)
	t.guess.Fields = nil // examined with the message
	u.topics[topic] = t
	return t
}

// hash tells topics and messages apart, the same in every run.
func hash(parts ...string) uint64 {
	h := fnv.New64a()
	for _, part := range parts {
		_, _ = h.Write([]byte(part)) // never fails
		_, _ = h.Write([]byte{0})
	}
	return h.Sum64()
}

// examine keeps what a message shows.
func (t *unclaimedTopic) examine(m sensors.Message, arrival time.Time) {
	if len(t.payloads) >= payloadsKept {
		t.payloads = slices.Delete(t.payloads, 0, 1)
	}
	t.payloads = append(t.payloads, PayloadExcerpt{arrival, m.Topic, Excerpt(m.Payload)})
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

// UnclaimedTopic is a topic that no sensor claims, as people see it.
type UnclaimedTopic struct {
	// Topic is the topic to claim: the device's for Sparkplug and Homie.
	Topic       string
	First, Last time.Time
	Count       uint64
	// PerMinute is how many messages come in a minute, 0 while unknown.
	PerMinute float64
	Payloads  []PayloadExcerpt
	// Format is empty when the messages hold no number.
	Format payload.Format
	Time   *payload.TimeSpec
	Fields []UnclaimedField
}

// UnclaimedField is one number in the messages of an unclaimed topic.
type UnclaimedField struct {
	payload.GuessedField
	// Trace is its recent course, oldest first.
	Trace []quality.TracePoint
}

// list are all unclaimed topics, those that tell something first, and among
// equals those that were heard more than once.
func (u *unclaimed) list() []UnclaimedTopic {
	out := make([]UnclaimedTopic, 0, len(u.topics))
	for topic, t := range u.topics {
		if t.view == nil {
			t.view = t.show(topic)
		}
		out = append(out, *t.view)
	}
	rank := func(v UnclaimedTopic) int {
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
	slices.SortFunc(out, func(a, b UnclaimedTopic) int {
		if d := rank(a) - rank(b); d != 0 {
			return d
		}
		return strings.Compare(a.Topic, b.Topic)
	})
	return out
}

func (t *unclaimedTopic) show(topic string) *UnclaimedTopic {
	v := &UnclaimedTopic{
		Topic: topic, First: t.first, Last: t.last, Count: t.count,
		Payloads: slices.Clone(t.payloads), Format: t.guess.Format, Time: t.guess.Time,
	}
	if minutes := t.last.Sub(t.first).Minutes(); t.count > 1 && minutes > 0 {
		v.PerMinute = float64(t.count-1) / minutes
	}
	for _, f := range t.guess.Fields {
		v.Fields = append(v.Fields, UnclaimedField{f, slices.Clone(t.traces[f.At])})
	}
	slices.SortStableFunc(v.Fields, func(a, b UnclaimedField) int { return fieldRank(a) - fieldRank(b) })
	return v
}

func fieldRank(f UnclaimedField) int {
	if f.Quantity == 0 {
		return quantities
	}
	return int(f.Quantity)
}
