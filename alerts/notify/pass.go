package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/wording"
)

// How long news is worth telling (common practice, no published source): what
// is low waits on the page for whoever looks next, and that somebody has an
// alarm matters to those who would otherwise go there.
const (
	longestUseful = 72 * time.Hour
	lowUseful     = 24 * time.Hour
	takenUseful   = 4 * time.Hour
	// A later answer to a test says nothing any more.
	testUseful = 24 * time.Hour
)

// usefulFor is how long a notice is tried before it is given up.
func usefulFor(n *AlarmNotice) time.Duration {
	switch {
	case n.Kind == Test:
		return testUseful
	case n.Kind == Taken || n.Kind == Going:
		return takenUseful
	case n.Priority <= alerts.Low:
		return lowUseful
	}
	return longestUseful
}

// rank orders the news of an occurrence: that somebody has it follows the call
// with the same sequence.
func rankOf(n *AlarmNotice) int64 {
	if n.Kind == Taken || n.Kind == Going {
		return 2*n.Sequence + 1
	}
	return 2 * n.Sequence
}

// same are the notices to the person of the lead by other channels with news of
// its occurrence, each with the rank of that.
func (c *collapsed) elsewhere(yield func(Notice, int64) bool) {
	for _, s := range c.siblings {
		var other AlarmNotice
		if s.Channel == c.lead.Channel || json.Unmarshal(s.Payload, &other) != nil {
			continue
		}
		if other.OccurrenceName() == c.alarm.OccurrenceName() && !yield(s, rankOf(&other)) {
			return
		}
	}
}

// pointless says why there is no point any more in telling what is pending,
// empty where there is.
func (w *Worker) pointless(c *collapsed) string {
	if c.alarm.Kind == Test {
		// Whether it arrives is what is to be found out.
		return ""
	}
	for s, rank := range c.elsewhere {
		if s.State == Delivered && rank > rankOf(&c.alarm) {
			return fmt.Sprintf("told with notice %d, by %s", s.ID, s.Channel)
		}
	}
	if (c.alarm.Kind == Taken || c.alarm.Kind == Going) && slices.ContainsFunc(c.siblings, func(s Notice) bool {
		var other AlarmNotice
		return json.Unmarshal(s.Payload, &other) == nil && other.Ended() && other.OccurrenceName() == c.alarm.OccurrenceName() && other.Sequence > c.alarm.Sequence
	}) {
		return "it is over, and who had it is no news"
	}
	// What is worth telling for long is tried once at least, also after a long
	// standstill.
	if useful, age := usefulFor(&c.alarm), w.options.Now().Sub(c.lead.CreatedAt); c.alarm.Kind != Test && useful < longestUseful && age > useful {
		return fmt.Sprintf("too old to be told: %s", wording.Reader{}.Exactly(age))
	}
	if w.options.Roster == nil {
		return ""
	}
	// Whoever is configured can be called without being on the roster.
	if r := w.options.Roster(); len(r.Names) > 0 && r.Names[c.lead.Recipient] == "" && len(r.Channels(c.lead.Recipient)) == 0 {
		return c.lead.Recipient + " is not one of the people any more"
	}
	return ""
}

// passAll passes on what another channel can tell of all that is pending in a
// lane whose channel is open.
func (w *Worker) passAll(ctx context.Context, of lane) (sent alerts.Priority, err error) {
	ctx = context.WithoutCancel(ctx)
	list, err := w.pending(ctx, of, false)
	for i := range list {
		if _, err := w.pass(ctx, &list[i], nil); err != nil {
			return 0, err
		}
	}
	return 0, err
}

// pass withdraws news from a channel that does not work where its person has it
// from another, or gets it from the next one that does: the latter only if it is
// urgent. Failed is what the last attempt met with, if there was one just now.
func (w *Worker) pass(ctx context.Context, c *collapsed, failed error) (passed bool, err error) {
	if c.alarm.Kind == Test {
		return false, nil
	}
	attempts := c.lead.Attempts
	if failed != nil {
		attempts++
	}
	if attempts < circuit.OpensAfter && !w.options.Circuits.Open(c.lead.Channel) {
		return false, nil
	}
	for s, rank := range c.elsewhere {
		if s.State == Delivered && rank == rankOf(&c.alarm) {
			return true, w.withdrawn(ctx, c, fmt.Sprintf("told by %s, with notice %d", s.Channel, s.ID))
		}
	}
	if c.alarm.Priority < alerts.High {
		return false, nil
	}
	next := w.next(c, func(channel string) bool { return !w.options.Circuits.Open(channel) })
	if next == "" {
		return false, nil
	}
	if err := w.handTo(ctx, c, next); err != nil {
		return false, err
	}
	why := "handed on to " + next + ": " + c.lead.Channel + " does not work"
	if failed != nil {
		why += ": " + failed.Error()
	}
	return true, w.withdrawn(ctx, c, why)
}

func (w *Worker) withdrawn(ctx context.Context, c *collapsed, why string) error {
	w.options.Logger.Warn("notice told another way", "notice", c.lead.ID, "channel", c.lead.Channel, "recipient", c.lead.Recipient, "why", why)
	return w.outbox.MarkSuperseded(ctx, c.lead.ID, w.options.Now(), why)
}

// next is the next channel of the roster to the person of a notice that has not
// had its news, empty for none.
func (w *Worker) next(c *collapsed, works func(channel string) bool) string {
	if w.options.Roster == nil {
		return ""
	}
	had := map[string]bool{c.lead.Channel: true}
	for s, rank := range c.elsewhere {
		had[s.Channel] = had[s.Channel] || rank == rankOf(&c.alarm)
	}
	for _, channel := range w.options.Roster().Channels(c.lead.Recipient) {
		if !had[channel] && w.channels.all()[channel] != nil && works(channel) {
			return channel
		}
	}
	return ""
}

// handTo enters news for another channel.
func (w *Worker) handTo(ctx context.Context, c *collapsed, channel string) error {
	next := c.lead
	next.Key, next.Channel, next.DueAt = keyOf(&c.alarm, next.Recipient, channel), channel, w.options.Now()
	next.ID, next.Attempts, next.LastError = 0, 0, ""
	if err := w.outbox.AddNotice(ctx, next); err != nil {
		return fmt.Errorf("hand notice %d on to %s: %w", c.lead.ID, channel, err)
	}
	w.Wake()
	return nil
}

// handOn brings news that a channel has refused for good to the next channel
// of its person that has not had it. It gives the notice up where another
// channel has the news; where none has, the notice stays, since a mailbox or
// an address can be mended.
func (w *Worker) handOn(ctx context.Context, c *collapsed, refused error) (handed bool, err error) {
	if c.alarm.Kind == Test {
		// That this channel does not reach the person is what was to be found out.
		return true, w.outbox.MarkDead(ctx, c.lead.ID, w.options.Now(), refused.Error())
	}
	about := w.options.Logger.With("notice", c.lead.ID, "channel", c.lead.Channel, "recipient", c.lead.Recipient)
	reason := refused.Error()
	for s, rank := range c.elsewhere {
		handed = handed || rank == rankOf(&c.alarm) && (s.State == Pending || s.State == Delivered)
	}
	if !handed {
		if next := w.next(c, func(string) bool { return true }); next != "" {
			if err := w.handTo(ctx, c, next); err != nil {
				return false, err
			}
			reason += "; handed on to " + next
			handed = true
		}
	}
	if !handed {
		about.Error("notice refused and no other channel to this person has it; it will be tried again", "error", refused)
		return false, nil
	}
	about.Error("notice refused", "error", reason)
	return true, w.outbox.MarkDead(ctx, c.lead.ID, w.options.Now(), reason)
}
