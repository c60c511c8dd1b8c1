package desk

import (
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// unclaimed are the topics seen on the broker that no sensor claims.
type unclaimed struct{ topics map[string]*unclaimedTopic }

// unclaimedTopic is a topic, or a device with several, that no sensor claims.
type unclaimedTopic struct {
	first, last time.Time
	count       uint64
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

// unclaimedKept bounds the topics remembered, payloadsKept the payloads of
// each, tracedPoints and tracedFields what is kept for telling them apart.
// Messages of one topic within examineEvery are counted and not examined.
const (
	unclaimedKept = 500
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
		if len(u.topics) >= unclaimedKept {
			return
		}
		t = &unclaimedTopic{first: arrival, traces: make(map[string][]quality.TracePoint)}
		u.topics[topic] = t
	}
	examine := t.count == 0 || t.newest != m.Topic || arrival.Sub(t.last) >= examineEvery
	t.last, t.newest, t.view = arrival, m.Topic, nil
	t.count++
	if examine {
		t.examine(m, arrival)
	}
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

// list are all unclaimed topics, those that tell something first.
func (u *unclaimed) list() []UnclaimedTopic {
	out := make([]UnclaimedTopic, 0, len(u.topics))
	for topic, t := range u.topics {
		if t.view == nil {
			t.view = t.show(topic)
		}
		out = append(out, *t.view)
	}
	rank := func(v UnclaimedTopic) int {
		switch {
		case len(v.Fields) > 0 && v.Fields[0].Quantity != 0:
			return 0
		case len(v.Fields) > 0:
			return 1
		}
		return 2
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
