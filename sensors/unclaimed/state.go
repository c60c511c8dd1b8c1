package unclaimed

import (
	"time"

	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// State is what must outlive a restart of one topic: all but its traces, which
// are about the last minutes.
type State struct {
	Topic    string        `json:"topic"`
	First    time.Time     `json:"first"`
	Last     time.Time     `json:"last"`
	Count    uint64        `json:"count"`
	Newest   string        `json:"newest"`
	Payloads []Excerpt     `json:"payloads,omitempty"`
	Guess    payload.Guess `json:"guess"`
}

// State returns what must outlive a restart, beside LetGo. It shares memory
// with the topics and is to be written out before they go on.
func (u *Topics) State() []State {
	var states []State
	for name, t := range u.topics {
		states = append(states, State{name, t.first, t.last, t.count, t.newest, t.payloads, t.guess})
	}
	return states
}

// Restore puts back a state, without the topics that have been claimed since.
func (u *Topics) Restore(states []State, letGo int, claimed map[string]bool) {
	u.letGo = letGo
	for _, s := range states {
		if claimed[s.Topic] || len(u.topics) >= topicsKept {
			continue
		}
		u.topics[s.Topic] = &topic{
			first: s.First, last: s.Last, count: s.Count, newest: s.Newest, payloads: s.Payloads, guess: s.Guess,
			traces: make(map[string][]quality.TracePoint),
		}
	}
}
