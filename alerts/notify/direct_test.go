package notify_test

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
)

// line is a channel that can be cut.
type line struct {
	cut  bool
	sent []notify.Message
}

func (l *line) Send(_ context.Context, m notify.Message) error {
	if l.cut {
		return errors.New("cut")
	}
	l.sent = append(l.sent, m)
	return nil
}

func TestDirectTellsWithoutTheOutbox(t *testing.T) {
	var definition alerts.Definition
	for _, d := range conditions.Definitions() {
		if d.Condition == conditions.StoreFailing {
			definition = d
		}
	}
	good, cut := &line{}, &line{cut: true}
	d := notify.Direct{
		Channels:   map[string]notify.Channel{"mail": good, "pager": cut},
		Roster:     []notify.Duty{{People: []string{"lead"}, Channels: []string{"mail", "pager"}, Priorities: []alerts.Priority{alerts.High}}},
		Definition: definition, House: notify.House{Facility: "House", Zone: "UTC"}, Logger: slog.New(slog.DiscardHandler),
	}
	begin := time.Date(2026, 5, 1, 3, 0, 0, 0, time.UTC)
	at := func(after time.Duration, problem string) { d.Look(t.Context(), begin.Add(after), problem) }
	at(0, "")
	at(time.Second, "disk full")
	at(30*time.Second, "disk full")
	if len(good.sent) != 0 {
		t.Fatal("told before it had lasted for the on-delay")
	}
	for s := 61; s < 600; s += 5 {
		at(time.Duration(s)*time.Second, "disk full")
	}
	if len(good.sent) != 1 || good.sent[0].Subject != "High: records cannot be written" || good.sent[0].Alarm.Detail != "disk full" {
		t.Fatalf("told %d times: %+v", len(good.sent), good.sent)
	}
	cut.cut = false
	at(700*time.Second, "disk full")
	if len(cut.sent) != 1 {
		t.Errorf("the channel that was cut was told %d times after it was mended", len(cut.sent))
	}
	at(800*time.Second, "")
	at(805*time.Second, "")
	if len(good.sent) != 2 || good.sent[1].Alarm.Kind != notify.Cleared || len(cut.sent) != 2 {
		t.Errorf("%d and %d messages after the end, want 2 each", len(good.sent), len(cut.sent))
	}
}
