package performance

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
)

// Totals are the figures of the alarm system itself that are known at any
// moment; the page of its performance has those that need the whole audit.
type Totals struct {
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
	// Annunciations counts alarms that called for attention since the
	// records began, by condition and priority.
	Annunciations []Annunciation
}

// Annunciation counts annunciated alarms.
type Annunciation struct {
	Condition alerts.Condition
	Priority  alerts.Priority
	Count     uint64
}

// Calls counts how often alarms called for somebody.
type Calls struct {
	annunciations map[annunciation]uint64
	// recent are the calls of the last day, oldest first.
	recent       []time.Time
	flood        bool
	acknowledged uint64
	ackSeconds   float64
}

// annunciation tells annunciations apart in the totals.
type annunciation struct {
	condition alerts.Condition
	priority  alerts.Priority
}

// CallsState is what must outlive a restart.
type CallsState struct {
	Annunciations []Annunciation `json:"annunciations,omitempty"`
	Recent        []time.Time    `json:"recent,omitempty"`
	Flood         bool           `json:"flood,omitempty"`
	Acknowledged  uint64         `json:"acknowledged,omitempty"`
	AckSeconds    float64        `json:"ack_seconds,omitempty"`
}

// NewCalls returns a count of no calls.
func NewCalls() *Calls { return &Calls{annunciations: make(map[annunciation]uint64)} }

// State returns what must outlive a restart.
func (t *Calls) State() CallsState {
	return CallsState{Annunciations: t.totals(), Recent: t.recent, Flood: t.flood, Acknowledged: t.acknowledged, AckSeconds: t.ackSeconds}
}

// Restore puts a state into a fresh count.
func (t *Calls) Restore(st CallsState) {
	for _, one := range st.Annunciations {
		t.annunciations[annunciation{one.Condition, one.Priority}] = one.Count
	}
	t.recent, t.flood, t.acknowledged, t.ackSeconds = st.Recent, st.Flood, st.Acknowledged, st.AckSeconds
}

// recentCalls bounds what is kept of a day that is beyond all measure.
const recentCalls = 1000

// Note takes in one step of an alarm.
func (t *Calls) Note(s alerts.Transition, priority alerts.Priority) {
	taken := s.Event == alerts.EventAcknowledge || s.Event == alerts.EventGoing && (s.From == alerts.Unacknowledged || s.From == alerts.Returned)
	if taken && !s.Alarm.LastAnnunciated.IsZero() {
		t.acknowledged++
		t.ackSeconds += s.Time.Sub(s.Alarm.LastAnnunciated).Seconds()
	}
	if !s.Annunciate || s.Event == alerts.EventRepeat {
		// What nobody has acknowledged yet is the same call.
		return
	}
	t.annunciations[annunciation{s.Key.Condition, priority}]++
	old := 0
	for old < len(t.recent) && s.Time.Sub(t.recent[old]) > 24*time.Hour {
		old++
	}
	t.recent = append(slices.Clone(t.recent[old:]), s.Time)
	t.recent = t.recent[max(0, len(t.recent)-recentCalls):]
	t.flood = t.within(bucket, s.Time) > floodBegins || t.flood && t.within(bucket, s.Time) >= floodEnds
}

func (t *Calls) within(span time.Duration, now time.Time) int {
	n := 0
	for _, at := range slices.Backward(t.recent) {
		if now.Sub(at) > span {
			break
		}
		n++
	}
	return n
}

// totals counts annunciations by condition and priority, in that order.
func (t *Calls) totals() []Annunciation {
	totals := make([]Annunciation, 0, len(t.annunciations))
	for k, n := range t.annunciations {
		totals = append(totals, Annunciation{Condition: k.condition, Priority: k.priority, Count: n})
	}
	slices.SortFunc(totals, func(a, b Annunciation) int {
		return cmp.Or(strings.Compare(string(a.Condition), string(b.Condition)), cmp.Compare(a.Priority, b.Priority))
	})
	return totals
}

// Totals works the figures out as of now; open are the alarms that are not
// normal.
func (t *Calls) Totals(open []alerts.Alarm, now time.Time) Totals {
	v := Totals{
		CallsTenMinutes: t.within(bucket, now), CallsDay: t.within(24*time.Hour, now),
		Acknowledged: t.acknowledged, AcknowledgeSeconds: t.ackSeconds, Annunciations: t.totals(),
	}
	v.Flood = t.flood && v.CallsTenMinutes >= floodEnds
	for _, a := range open {
		if a.Active && now.Sub(a.RaisedAt) > 24*time.Hour {
			v.Standing++
		}
		if a.Chattering {
			v.Chattering++
		}
		if a.State() == alerts.Unacknowledged || a.State() == alerts.Returned {
			v.Unacknowledged++
		}
	}
	return v
}
