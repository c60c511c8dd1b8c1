package notify

import (
	"encoding/json"
	"fmt"
	"mime"
	"net/url"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/wording"
)

// Two names that a room may have. The second is made to break out of what
// stands around it.
const (
	tameName    = "Nursery"
	hostileName = "\"},{'x':\"y\",\"z\":\"\\\r\n&x=y;z=%zz+#<b>{{.}}"
)

// Try writes examples of all kinds of news to each of the people, and finds
// what would fail with a real one, or what a name could break out of. Without
// people somebody is invented. An error is a TemplateError, or that of a secret.
func (t *Template) Try(people []Contact) error {
	if len(people) == 0 {
		people = []Contact{{ID: "somebody", Name: "Somebody", Email: "somebody@example.org", Phone: "+15550100"}}
	}
	tame, hostile := examples(tameName), examples(hostileName)
	for _, to := range people {
		for i := range tame {
			if err := t.tryOne(&tame[i], &hostile[i], to); err != nil {
				return err
			}
		}
	}
	return nil
}

// tryOne tries two messages that differ in their texts only.
func (t *Template) tryOne(tame, hostile *Message, to Contact) error {
	var shapes [2]string
	for i, m := range []*Message{tame, hostile} {
		data := templateDataOf(m, to)
		c, err := t.write(&data)
		if err != nil {
			return err
		}
		shape, err := shapeOf(t.contentType, c.body)
		switch {
		case err != nil && i == 0:
			return &TemplateError{Header: -1, Problem: err.Error()}
		case err != nil || i == 1 && shape != shapes[0]:
			return &TemplateError{Header: -1, Problem: "a name with quotation marks, line breaks or & would break out of the text around it: write {{json .RoomName}} in JSON, without quotation marks around it, and {{url .RoomName}} in a form, and so with every text"}
		}
		shapes[i] = shape
	}
	return nil
}

// shapeOf is what of a body no name may change: the keys of a form, or the
// keys of JSON and what kind of value each has. Of other types it is empty.
func shapeOf(contentType string, body []byte) (string, error) {
	kind, _, err := mime.ParseMediaType(contentType)
	switch {
	case err != nil:
		return "", fmt.Errorf("%q is not a content type", contentType)
	case kind == "application/json" || strings.HasSuffix(kind, "+json"):
		var v any
		if err := json.Unmarshal(body, &v); err != nil {
			return "", fmt.Errorf("what it writes is not JSON: %w", err)
		}
		return jsonShape(v), nil
	case kind == "application/x-www-form-urlencoded":
		form, err := url.ParseQuery(strings.TrimSpace(string(body)))
		if err != nil {
			return "", fmt.Errorf("what it writes is not a form: %w", err)
		}
		var keys []string
		for key, values := range form {
			keys = append(keys, fmt.Sprintf("%q %d", key, len(values)))
		}
		slices.Sort(keys)
		return strings.Join(keys, ","), nil
	}
	return "", nil
}

func jsonShape(v any) string {
	var parts []string
	switch v := v.(type) {
	case map[string]any:
		for key, value := range v {
			parts = append(parts, fmt.Sprintf("%q:%s", key, jsonShape(value)))
		}
		slices.Sort(parts)
		return "{" + strings.Join(parts, ",") + "}"
	case []any:
		for _, value := range v {
			parts = append(parts, jsonShape(value))
		}
		return "[" + strings.Join(parts, ",") + "]"
	}
	return fmt.Sprintf("%T", v)
}

// examples are messages of all kinds and priorities, with everything that a
// message can have and with the least, and one about several alarms. The name
// stands wherever a person can put one.
func examples(name string) []Message {
	now := time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)
	var list []Message
	for _, kind := range []Kind{Raised, Reminder, Taken, Going, Cleared, Over, Test} {
		for p := alerts.Low; p <= alerts.Critical; p++ {
			full := AlarmNotice{
				Facility: name, Kind: kind, Key: alerts.Key{Condition: "heat", Room: "nursery", Subject: name}, Occurrence: 42, Sequence: 1, Priority: p,
				Title: "too hot", RoomName: name, Measure: wording.Measure{Value: 36.4, Limit: 35, Unit: "°C"}, Detail: wording.Report(name), Audience: letter.Audience{Zone: "UTC"}, Links: Links{Link: "https://rearguard.example.org/alarms", Answer: "https://rearguard.example.org/n/AbC-_1"},
				Advice:   alerts.Advice{Cause: "C.", Consequence: "D.", FirstAction: "F.", TimeToRespond: time.Hour},
				RaisedAt: now.Add(-time.Hour), Time: now, Due: now.Add(time.Hour), Invented: true,
				Circumstances: Circumstances{
					Others: []Companion{{Title: "air too dry for too long", Subject: name, Value: 1.6, Limit: 1.1, Unit: "kPa"}},
					Steps:  []string{"G."}, TakenBy: name,
				},
			}
			least := AlarmNotice{Facility: name, Kind: kind, Key: alerts.Key{Condition: "broker_lost"}, Priority: p, Title: "broker link lost", RaisedAt: now, Time: now}
			for _, a := range []AlarmNotice{full, least} {
				list = append(list, compose(Notice{Key: "example", Recipient: "lead", Priority: p}, a, now))
			}
			several := compose(Notice{Key: "example", Recipient: "lead", Priority: p}, full, now)
			several.Also = []AlarmNotice{full, least}
			list = append(list, several)
		}
	}
	return list
}
