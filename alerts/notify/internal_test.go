package notify

import (
	"bytes"
	"encoding/json"
	"errors"
	"testing"
	"time"
)

// storedNotice is a notice as the outbox keeps it, calledBody what a receiver
// is sent of it.
const (
	storedNotice = `{
	"facility": "Moth House",
	"invented": true,
	"kind": "raised",
	"key": {"condition": "heat", "room": "nursery", "subject": "upper"},
	"occurrence": 42,
	"sequence": 2,
	"priority": 3,
	"title": "too hot",
	"room_name": "Nursery",
	"value": 36.5,
	"limit": 35,
	"unit": "°C",
	"cause": "Heater stuck on.",
	"consequence": "Animals die.",
	"first_action": "Switch it off.",
	"time_to_respond": 3600000000000,
	"detail": "shelf 2",
	"raised_at": "2025-01-14T01:14:00Z",
	"time": "2025-01-14T01:15:00Z",
	"due": "2025-01-14T02:14:00Z",
	"zone": "Europe/Madrid",
	"link": "https://rearguard.example.org/alarms/42"
}`
	calledBody = `{
	"type": "alarm.raised",
	"timestamp": "2025-01-14T01:15:00Z",
	"data": {
		"facility": "Moth House",
		"invented": true,
		"state": "active",
		"occurrence": 42,
		"raised_at": "2025-01-14T01:14:00Z",
		"sequence": 2,
		"recipient": "lead",
		"condition": "heat",
		"room": "nursery",
		"room_name": "Nursery",
		"subject": "upper",
		"priority": "high",
		"title": "too hot",
		"number": {"value": 36.5, "limit": 35, "unit": "°C"},
		"detail": "shelf 2",
		"cause": "Heater stuck on.",
		"consequence": "Animals die.",
		"first_action": "Switch it off.",
		"time_to_respond_seconds": 3600,
		"due": "2025-01-14T02:14:00Z",
		"link": "https://rearguard.example.org/alarms/42",
		"headline": "Nursery: too hot",
		"text": "It is too hot."
	}
}`
)

// What the outbox holds and what receivers are sent are contracts; how fields
// are grouped here leaves no trace in them.
func TestNoticesAreFlat(t *testing.T) {
	var n AlarmNotice
	if err := json.Unmarshal([]byte(storedNotice), &n); err != nil {
		t.Fatal(err)
	}
	stored, err := json.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	called, err := json.Marshal(webhookBodyOf(&Message{Notice: Notice{Recipient: "lead"}, Alarm: n, Subject: "Nursery: too hot", Body: "It is too hot."}))
	if err != nil {
		t.Fatal(err)
	}
	for _, form := range []struct {
		name, want string
		got        []byte
	}{{"outbox", storedNotice, stored}, {"webhook", calledBody, called}} {
		var want bytes.Buffer
		if err := json.Compact(&want, []byte(form.want)); err != nil {
			t.Fatal(err)
		}
		if string(form.got) != want.String() {
			t.Errorf("%s: got\n%s\nwant\n%s", form.name, form.got, &want)
		}
	}
}

// The example of the Standard Webhooks specification's test suite (test "sign
// function works" of its reference libraries).
func TestSignatureOfThePublishedExample(t *testing.T) {
	key, err := signingKey("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`))
	if want := "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signature = %s, want %s", got, want)
	}
	if _, err := signingKey("whsec_not base64"); err == nil {
		t.Error("a secret that is not base64 was accepted")
	}
}

func TestBackoffGrowsToItsCap(t *testing.T) {
	for failed, ceiling := range map[int]time.Duration{
		0: 2 * time.Second, 1: 2 * time.Second, 2: 4 * time.Second, 5: 32 * time.Second, 8: 256 * time.Second, 9: 5 * time.Minute, 1000: 5 * time.Minute,
	} {
		if got := backoff(failed, 1); got != ceiling {
			t.Errorf("ceiling after %d failures = %v, want %v", failed, got, ceiling)
		}
		if got, want := backoff(failed, 0.25), max(time.Second, ceiling/4); got != want {
			t.Errorf("a quarter of it = %v, want %v", got, want)
		}
		if got := backoff(failed, 0); got != time.Second {
			t.Errorf("least pause after %d failures = %v", failed, got)
		}
	}
}

// What is sent at an interval anyway waits longer after a failure only if it is
// asked to.
func TestPauseIsNoLongerThanTheInterval(t *testing.T) {
	refused := errors.New("refused")
	tests := []struct {
		err      error
		failed   int
		interval time.Duration
		want     time.Duration
	}{
		{refused, 1, time.Minute, 2 * time.Second},
		{refused, 9, time.Minute, time.Minute},
		{refused, 1, 10 * time.Millisecond, 10 * time.Millisecond},
		{RetryAfter(time.Second, refused), 3, time.Minute, 8 * time.Second},
		{RetryAfter(2*time.Minute, refused), 1, time.Minute, 2 * time.Minute},
		{RetryAfter(time.Hour, refused), 1, time.Minute, 5 * time.Minute},
	}
	for _, tt := range tests {
		if got := Pause(tt.err, tt.failed, 1, tt.interval); got != tt.want {
			t.Errorf("pause after %d times %v at an interval of %v = %v, want %v", tt.failed, tt.err, tt.interval, got, tt.want)
		}
	}
}
