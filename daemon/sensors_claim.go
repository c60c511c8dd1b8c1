package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// route finds the inputs that want the messages of a topic.
func (c *core) route(topic string) []*input {
	if inputs := c.topics[topic]; len(inputs) > 0 || len(c.prefixes) == 0 {
		return inputs
	}
	return c.prefixes[topic[:strings.LastIndexByte(topic, '/')+1]]
}

// listenOn enters an input under a topic filter. Filters with a wildcard have
// it as their last level (those of Sparkplug do).
func (c *core) listenOn(filter string, in *input) error {
	prefix, wild := strings.CutSuffix(filter, "+")
	if strings.ContainsAny(prefix, "+#") {
		return fmt.Errorf("topic filter %s: a wildcard elsewhere than at the end", filter)
	}
	if !wild {
		c.topics[filter] = append(c.topics[filter], in)
		return nil
	}
	c.prefixes[prefix] = append(c.prefixes[prefix], in)
	return nil
}

// unclaimedTopic is a topic, or a device with several, that was seen on the
// broker and that no sensor claims.
type unclaimedTopic struct {
	first, last time.Time
	count       uint64
	// newest is the topic of the newest message.
	newest   string
	payloads []PayloadExcerpt
	guess    payload.Guess
	traces   map[string][]quality.TracePoint
	// view is made when somebody looks and kept until the next message.
	view *UnclaimedView
}

// PayloadExcerpt is the start of a message's payload, escaped for display.
type PayloadExcerpt struct {
	Time    time.Time `json:"time"`
	Topic   string    `json:"topic"`
	Excerpt string    `json:"excerpt"`
}

// unclaimedKept bounds the topics remembered, payloadsKept the payloads of
// each, tracedPoints and tracedFields what is kept for telling them apart.
// Messages of one topic within lookEvery are counted and not looked at.
const (
	unclaimedKept = 500
	payloadsKept  = 3
	tracedPoints  = 48
	tracedFields  = 8
	lookEvery     = time.Second
)

func (c *core) noteUnclaimed(m sensors.Message, arrival time.Time) {
	c.outcomes[outcomeUnclaimed]++
	claim, ok := payload.ClaimTopic(m.Topic)
	if !ok || len(m.Payload) == 0 || c.claimed[claim] {
		return
	}
	t := c.unclaimed[claim]
	if t == nil {
		if len(c.unclaimed) >= unclaimedKept {
			return
		}
		t = &unclaimedTopic{first: arrival, traces: make(map[string][]quality.TracePoint)}
		c.unclaimed[claim] = t
	}
	look := t.count == 0 || t.newest != m.Topic || arrival.Sub(t.last) >= lookEvery
	t.last, t.newest, t.view = arrival, m.Topic, nil
	t.count++
	if look {
		t.look(m, arrival)
	}
}

// look keeps what a message shows.
func (t *unclaimedTopic) look(m sensors.Message, arrival time.Time) {
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

// UnclaimedView is a topic that no sensor claims, as pages show it.
type UnclaimedView struct {
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

// unclaimedViews are all unclaimed topics, those that tell something first.
func (c *core) unclaimedViews() []UnclaimedView {
	out := make([]UnclaimedView, 0, len(c.unclaimed))
	for topic, t := range c.unclaimed {
		if t.view == nil {
			t.view = t.makeView(topic)
		}
		out = append(out, *t.view)
	}
	rank := func(v UnclaimedView) int {
		switch {
		case len(v.Fields) > 0 && v.Fields[0].Quantity != 0:
			return 0
		case len(v.Fields) > 0:
			return 1
		}
		return 2
	}
	slices.SortFunc(out, func(a, b UnclaimedView) int {
		if d := rank(a) - rank(b); d != 0 {
			return d
		}
		return strings.Compare(a.Topic, b.Topic)
	})
	return out
}

func (t *unclaimedTopic) makeView(topic string) *UnclaimedView {
	v := &UnclaimedView{
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

// claim takes a sensor up while the engine runs. One that the configuration
// has had from the start is known already.
func (c *core) claim(v ClaimSensor, arrival time.Time) error {
	config := v.Sensor
	if c.byID[config.ID] != nil {
		return nil
	}
	if parked, ok := c.parked[config.ID]; ok {
		config = *parked
		delete(c.parked, config.ID)
	}
	if config.Room != "" && c.roomBy[config.Room] == nil {
		return refuse("there is no room %q", config.Room)
	}
	if err := c.addSensor(&config); err != nil {
		return refused(err)
	}
	if !slices.ContainsFunc(c.facility.Sensors, func(s facility.Sensor) bool { return s.ID == config.ID }) {
		f := *c.facility
		f.Sensors = append(slices.Clone(f.Sensors), config)
		c.facility = &f
	}
	// It was seen on the broker a moment ago, though not as a sensor.
	c.byID[config.ID].told = arrival
	return nil
}

// claimsBetween are the sensors that were claimed within a stretch of the
// journal. A fold over it must begin without them.
func claimsBetween(ctx context.Context, src source, from, to time.Time) (map[sensors.SensorID]bool, error) {
	claims := make(map[sensors.SensorID]bool)
	for e, err := range src.Journal(ctx, from, to) {
		if err != nil {
			return nil, fmt.Errorf("read the journal: %w", err)
		}
		if e.Kind != (ClaimSensor{}).Kind() {
			continue
		}
		event, err := eventOf(e)
		if err != nil {
			return nil, err
		}
		if v, ok := event.(ClaimSensor); ok {
			claims[v.Sensor.ID] = true
		}
	}
	return claims, nil
}

// claimsSinceCheckpoint are the sensors that were claimed in the part of the
// past that a restart handles again.
func claimsSinceCheckpoint(ctx context.Context, store *records.Store) (map[sensors.SensorID]bool, error) {
	var at struct{ Clock time.Time }
	body, err := store.LoadState(ctx, checkpointName)
	if errors.Is(err, records.ErrNotFound) {
		return claimsBetween(ctx, store, time.Time{}, farFuture)
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(body, &at); err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	return claimsBetween(ctx, store, at.Clock, farFuture)
}
