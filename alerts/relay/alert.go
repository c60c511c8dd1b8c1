// Package relay hands on which alarms are on to Alertmanagers, by the second
// version of their interface. That is no message to a person: an Alertmanager
// forgets what it is not told again, and decides itself whom to tell. So what is
// on is sent at an interval, what has ended is sent as ended for a while, and
// each Alertmanager has its own pace, so that a dead one delays no other.
package relay

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"maps"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

const (
	// labelLimit is how many bytes of a label are sent as they are.
	labelLimit = 128
	// hashBytes tell apart what is equal up to there.
	hashBytes = 6
)

// Standing is one alarm that is on, with what somebody who is called needs.
type Standing struct {
	Facility string
	Key      alerts.Key
	Priority alerts.Priority
	// Title is a few words, for example "too hot".
	Title string
	// RoomName is what people read; empty for an alarm about rearguard itself.
	RoomName string
	wording.Measure
	// Detail is in English.
	Detail string
	alerts.Advice
	RaisedAt time.Time
	// Link leads to the page of alarms, empty where none is known.
	Link string
}

// Alert is an alarm as an Alertmanager takes it. Its labels are its identity.
type Alert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt"`
	// EndsAt is when the alert ends unless it is sent again.
	EndsAt       time.Time `json:"endsAt,omitzero"`
	GeneratorURL string    `json:"generatorURL,omitempty"`
}

// alert is the alarm in the terms of an Alertmanager. What is not always the
// same while the alarm is on is no label.
func (s *Standing) alert() Alert {
	place := alerts.Place(s.RoomName, s.Key.Subject)
	return Alert{
		Labels: filled(map[string]string{
			"alertname": bounded("rearguard_" + string(s.Key.Condition)),
			"condition": bounded(string(s.Key.Condition)),
			"facility":  bounded(s.Facility),
			"priority":  s.Priority.String(),
			"room":      bounded(string(s.Key.Room)),
			"subject":   bounded(s.Key.Subject),
		}),
		Annotations: filled(map[string]string{
			"headline":     valid(alerts.Headline(wording.Reader{}, s.Title, place, s.Measure)),
			"detail":       valid(s.Detail),
			"cause":        valid(s.Cause),
			"first_action": valid(s.FirstAction),
			"consequence":  valid(s.Consequence),
		}),
		StartsAt: s.RaisedAt.UTC(), GeneratorURL: s.Link,
	}
}

// filled is without empty values: to an Alertmanager they are as good as absent.
func filled(m map[string]string) map[string]string {
	maps.DeleteFunc(m, func(_, value string) bool { return value == "" })
	return m
}

func valid(text string) string { return strings.ToValidUTF8(text, "�") }

// bounded cuts a label that is too long, and keeps it apart from others that
// begin alike.
func bounded(label string) string {
	label = valid(label)
	if len(label) <= labelLimit {
		return label
	}
	sum := sha256.Sum256([]byte(label))
	return strings.ToValidUTF8(label[:labelLimit], "") + "…" + hex.EncodeToString(sum[:hashBytes])
}

// identity is the same for alerts with the same labels.
func (a *Alert) identity() string {
	text, err := json.Marshal(a.Labels)
	if err != nil {
		panic(err) // a map of texts can be encoded
	}
	return string(text)
}
