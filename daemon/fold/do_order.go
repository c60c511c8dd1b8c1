package fold

import (
	"context"
	"encoding/json"
	"time"

	"rearguard/alerts"
)

// Order is what a person tells one alarm. Alarms are brought up to its time
// before it is checked.
type Order struct {
	Verb   alerts.Verb   `json:"-"`
	Key    alerts.Key    `json:"key"`
	Who    string        `json:"who"`
	For    time.Duration `json:"for,omitzero"`
	Reason string        `json:"reason,omitempty"`
	// Incident has the whole incident of the alarm taken on with it.
	Incident bool `json:"incident,omitempty"`
}

// Kind names the command in the journal: every verb is a kind.
func (o Order) Kind() string {
	switch o.Verb {
	case alerts.TakeOut:
		return "out-of-service"
	case alerts.Return:
		return "return-to-service"
	}
	return string(o.Verb)
}

func ordering(verb alerts.Verb) kind {
	return kind{Order{Verb: verb}.Kind(), func(body json.RawMessage) (Command, error) {
		o := Order{Verb: verb}
		err := json.Unmarshal(body, &o)
		return o, err
	}}
}

func (o Order) who() string { return o.Who }

func (o Order) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	if err := f.alarms.Check(alerts.Order(o)); err != nil {
		return nil, err
	}
	return func() error { return f.alarms.Carry(alerts.Order(o)) }, nil
}
