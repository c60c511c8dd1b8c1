package notify_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/roster"
)

// house is an outbox with its worker under a clock of its own.
type house struct {
	*outbox
	t        *testing.T
	now      time.Time
	circuits *circuit.Board
	turn     func(context.Context) time.Duration
	sent     []string
	down     map[string]error
}

// newHouse tells the lead by the phone and by mail, each by a line of its own, and
// the keeper by mail alone.
func newHouse(t *testing.T) *house {
	h := &house{outbox: newOutbox(), t: t, now: begin, circuits: circuit.New(), down: map[string]error{}}
	channels := map[string]notify.Channel{}
	for _, name := range []string{"phone", "mail"} {
		channels[name] = sender(func(m notify.Message) error {
			outcome := "took"
			if h.down[name] != nil {
				outcome = "failed"
			}
			h.sent = append(h.sent, h.now.Sub(begin).Round(time.Second).String()+" "+name+" "+outcome+" "+m.Notice.Recipient+" "+string(m.Alarm.Kind))
			return h.down[name]
		})
	}
	w := notify.NewWorker(h.outbox, channels, notify.Options{
		Now: func() time.Time { return h.now }, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler), Circuits: h.circuits,
		Roster: func() *roster.Roster {
			return &roster.Roster{Names: map[string]string{"lead": "Lead", "keeper": "Keeper"}, Lines: []roster.Line{
				{People: []string{"lead"}, Channels: []string{"phone"}, Priorities: []alerts.Priority{alerts.High, alerts.Critical}},
				{People: []string{"lead", "keeper"}, Channels: []string{"mail"}, Priorities: []alerts.Priority{alerts.Medium}},
			}}
		},
	})
	h.turn = w.InTurn()
	return h
}

type sender func(notify.Message) error

func (s sender) Send(_ context.Context, m notify.Message) error { return s(m) }

// until lets time pass up to a time after the beginning.
func (h *house) until(d time.Duration) {
	h.t.Helper()
	for n := 0; ; n++ {
		wait := h.turn(h.t.Context())
		if n > 1000 {
			h.t.Fatalf("more than a thousand rounds up to %v: the last waits %v", d, wait)
		}
		next := h.now.Add(max(wait, time.Millisecond))
		if end := begin.Add(d); next.After(end) {
			h.now = end
			h.turn(h.t.Context())
			return
		}
		h.now = next
	}
}

// news enters a notice as the plan would.
func (h *house) news(kind notify.Kind, occurrence, sequence int64, p alerts.Priority, person, channel string) {
	h.t.Helper()
	n := heat(kind, sequence, h.now)
	n.Occurrence, n.Priority = occurrence, p
	h.add(plan(h.t, n, []string{person}, channel)...)
}

func (h *house) want(sent ...string) {
	h.t.Helper()
	if diff := cmp.Diff(sent, h.sent); diff != "" {
		h.t.Errorf("attempts (-want +got):\n%s", diff)
	}
	h.sent = nil
}

// is says what became of a notice, and by which words.
func (h *house) is(id int64, state notify.State, words string) {
	h.t.Helper()
	if got := h.states()[id]; got != state || !strings.Contains(h.reasons[id], words) {
		h.t.Errorf("notice %d is %s: %q, want %s: %q", id, got, h.reasons[id], state, words)
	}
}

// A channel that fails three times in a row is left alone: what is urgent goes
// by the person's next one at once, is told once, and its end goes by the same.
func TestUrgentNewsPassesByAChannelThatFails(t *testing.T) {
	h := newHouse(t)
	h.down["phone"] = errors.New("connection refused")
	h.news(notify.Raised, 1, 2, alerts.High, "lead", "phone")
	h.until(20 * time.Second)
	h.want("0s phone failed lead raised", "2s phone failed lead raised", "6s phone failed lead raised", "6s mail took lead raised")
	h.is(1, notify.Superseded, "handed on to mail: phone does not work: connection refused")
	h.is(2, notify.Delivered, "")
	if got := h.circuits.States(); len(got) != 1 || got[0].Channel != "phone" || got[0].Failures != 3 || !got[0].Since.Equal(begin) {
		t.Errorf("open: %+v", got)
	}

	// Two more come, of which one is to find out whether it works again.
	h.news(notify.Raised, 11, 2, alerts.High, "lead", "phone")
	h.news(notify.Raised, 12, 2, alerts.Critical, "lead", "phone")
	h.until(21 * time.Second)
	h.want("20s phone failed lead raised", "20s mail took lead raised", "20s mail took lead raised")

	// It works again: nothing is told twice, and the end is known to be news of
	// something that was told.
	h.down["phone"] = nil
	h.until(10 * time.Minute)
	h.want()
	h.news(notify.Cleared, 1, 3, alerts.High, "lead", "phone")
	h.until(11 * time.Minute)
	h.want("10m0s phone took lead cleared")
	if got := h.circuits.States(); len(got) != 0 {
		t.Errorf("still open: %+v", got)
	}
}

// What is not urgent waits for its channel, and so does what no other can tell:
// one message now and then finds out when it works again, soon where it matters.
func TestAnOpenChannelIsProbedNowAndThen(t *testing.T) {
	for _, tt := range []struct {
		priority alerts.Priority
		least    int
		most     int
		late     time.Duration
	}{{alerts.Critical, 25, 60, 5 * time.Minute}, {alerts.Medium, 12, 40, 30 * time.Minute}} {
		t.Run(tt.priority.String(), func(t *testing.T) {
			h := newHouse(t)
			h.down["mail"] = errors.New("connection refused")
			for i := range int64(20) {
				h.news(notify.Raised, 1+i, 2, tt.priority, "keeper", "mail")
				h.news(notify.Raised, 101+i, 2, alerts.Low, "lead", "mail")
			}
			h.until(2 * time.Hour)
			if n := len(h.sent); n < tt.least || n > tt.most {
				t.Errorf("%d attempts in two hours: %q", n, h.sent)
			}
			h.sent, h.down["mail"] = nil, nil
			h.until(2*time.Hour + tt.late)
			for id, state := range h.states() {
				if state != notify.Delivered {
					t.Errorf("notice %d is %s %v after the channel works again", id, state, tt.late)
				}
			}
		})
	}
}

// Nobody is told by a late channel what another has told meanwhile.
func TestLateChannelDoesNotRepeatAnother(t *testing.T) {
	h := newHouse(t)
	h.down["phone"] = errors.New("connection refused")
	h.news(notify.Raised, 1, 2, alerts.High, "lead", "phone")
	h.news(notify.Raised, 1, 2, alerts.High, "lead", "mail")
	h.until(time.Minute)
	h.want("0s phone failed lead raised", "0s mail took lead raised", "2s phone failed lead raised", "6s phone failed lead raised")
	h.is(1, notify.Superseded, "told by mail, with notice 2")
	// An older call by the phone has no point once a newer one came by mail.
	h.news(notify.Reminder, 1, 4, alerts.Medium, "lead", "mail")
	h.until(2 * time.Minute)
	h.news(notify.Raised, 1, 2, alerts.Medium, "lead", "phone")
	h.until(3 * time.Minute)
	h.is(4, notify.Superseded, "told with notice 3, by mail")
}

// One person's full mailbox says nothing of the mail server.
func TestRefusalOfOnePersonOpensNothing(t *testing.T) {
	h := newHouse(t)
	h.down["mail"] = notify.OfRecipient(errors.New("452 mailbox full"))
	h.news(notify.Raised, 1, 2, alerts.Medium, "keeper", "mail")
	h.until(time.Hour)
	h.down["mail"] = notify.Permanent(errors.New("550 no such mailbox"))
	h.news(notify.Raised, 2, 2, alerts.Medium, "keeper", "mail")
	h.until(2 * time.Hour)
	if got := h.circuits.States(); len(got) != 0 || len(h.sent) < 12 {
		t.Errorf("open: %+v, after %d attempts", got, len(h.sent))
	}
}

// What lost its point is not told, and the outbox says why.
func TestPointlessNewsIsNotTold(t *testing.T) {
	for name, tt := range map[string]struct {
		enter func(h *house)
		after time.Duration
		id    int64
		why   string
	}{
		"who had it, of something over": {func(h *house) {
			h.news(notify.Taken, 1, 2, alerts.High, "lead", "phone")
			h.news(notify.Cleared, 1, 3, alerts.High, "lead", "mail")
		}, 0, 1, "it is over"},
		"who has it, hours later":   {func(h *house) { h.news(notify.Taken, 1, 2, alerts.High, "lead", "phone") }, 5 * time.Hour, 1, "too old to be told: 5 h"},
		"something low, days later": {func(h *house) { h.news(notify.Raised, 1, 2, alerts.Low, "keeper", "mail") }, 25 * time.Hour, 1, "too old to be told: 1 day 1 h"},
		"to somebody who has left":  {func(h *house) { h.news(notify.Raised, 1, 2, alerts.High, "former", "mail") }, 0, 1, "former is not one of the people any more"},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t)
			tt.enter(h)
			h.now = h.now.Add(tt.after)
			h.turn(t.Context())
			h.is(tt.id, notify.Superseded, tt.why)
			for _, sent := range h.sent {
				if !strings.Contains(sent, "cleared") && !strings.Contains(sent, "over") {
					t.Errorf("told: %s", sent)
				}
			}
		})
	}
	// What means hours is tried after a standstill of days all the same.
	h := newHouse(t)
	h.news(notify.Raised, 1, 2, alerts.Medium, "keeper", "mail")
	h.now = h.now.Add(100 * time.Hour)
	h.turn(t.Context())
	h.want("100h0m0s mail took keeper raised")
}
