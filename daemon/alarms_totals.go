package daemon

import (
	"slices"
	"time"

	"rearguard/alerts"
)

// AlarmTotals are the figures of the alarm system itself that are known at any
// moment; the page of its performance has those that need the whole audit.
type AlarmTotals struct {
	// CallsTenMinutes and CallsDay count calls in the time up to now.
	CallsTenMinutes, CallsDay int
	// Flood is set from more than 10 calls in ten minutes until fewer than 5.
	Flood bool
	// Standing are alarms active for more than a day, Chattering those that
	// come and go.
	Standing, Chattering, Unacknowledged int
	// Acknowledged counts calls answered since the records began,
	// AcknowledgeSeconds is the time that took in all.
	Acknowledged       uint64
	AcknowledgeSeconds float64
}

// callTotals is what the fold keeps for them.
type callTotals struct {
	// Recent are the calls of the last day, oldest first.
	Recent       []time.Time `json:"recent,omitempty"`
	Flood        bool        `json:"flood,omitempty"`
	Acknowledged uint64      `json:"acknowledged,omitempty"`
	AckSeconds   float64     `json:"ack_seconds,omitempty"`
}

// The flood of ISA-18.2: working rule, secondary source.
const (
	floodBegins = 10
	floodEnds   = 5
	floodWithin = 10 * time.Minute
	// recentCalls bounds what is kept of a day that is beyond all measure.
	recentCalls = 1000
)

// note takes in one step of an alarm.
func (t *callTotals) note(s alerts.Transition) {
	if s.Event == alerts.EventAcknowledge && !s.Alarm.LastAnnunciated.IsZero() {
		t.Acknowledged++
		t.AckSeconds += s.Time.Sub(s.Alarm.LastAnnunciated).Seconds()
	}
	if !s.Annunciate {
		return
	}
	old := 0
	for old < len(t.Recent) && s.Time.Sub(t.Recent[old]) > 24*time.Hour {
		old++
	}
	t.Recent = append(slices.Clone(t.Recent[old:]), s.Time)
	t.Recent = t.Recent[max(0, len(t.Recent)-recentCalls):]
	t.Flood = t.within(floodWithin, s.Time) > floodBegins || t.Flood && t.within(floodWithin, s.Time) >= floodEnds
}

func (t *callTotals) within(span time.Duration, now time.Time) int {
	n := 0
	for _, at := range slices.Backward(t.Recent) {
		if now.Sub(at) > span {
			break
		}
		n++
	}
	return n
}

// alarmTotals works the figures out for a snapshot.
func (c *core) alarmTotals(alarms []alerts.Alarm) AlarmTotals {
	calls := &c.watch.calls
	t := AlarmTotals{
		CallsTenMinutes: calls.within(floodWithin, c.clock), CallsDay: calls.within(24*time.Hour, c.clock),
		Acknowledged: calls.Acknowledged, AcknowledgeSeconds: calls.AckSeconds,
	}
	t.Flood = calls.Flood && t.CallsTenMinutes >= floodEnds
	for _, a := range alarms {
		if a.Active && c.clock.Sub(a.RaisedAt) > 24*time.Hour {
			t.Standing++
		}
		if a.Chattering {
			t.Chattering++
		}
		if a.State() == alerts.Unacknowledged || a.State() == alerts.Returned {
			t.Unacknowledged++
		}
	}
	return t
}
