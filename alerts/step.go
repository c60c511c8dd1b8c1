package alerts

import (
	"fmt"
	"time"

	"rearguard/alerts/wording"
)

// step works out one event on one alarm: a pure function of the alarm, its
// definition, the event and the time. Its methods change only the copy a.
type step struct {
	def *Definition
	a   Alarm
	now time.Time
	// occurrence is the number a new occurrence takes.
	occurrence int64
	// last is the alarm as it was when its occurrence was closed.
	last *Alarm
	out  []Transition
}

// close ends the open occurrence and keeps it for the transition.
func (s *step) close() {
	last := s.a
	last.UpdatedAt = s.now
	s.last = &last
	s.a = s.a.close()
}

// record appends the transition from the state before to the state now.
func (s *step) record(event Event, before Alarm, who, reason string) *Transition {
	occurrence := before.Occurrence
	if occurrence == 0 {
		occurrence = s.a.Occurrence
	}
	s.a.UpdatedAt = s.now
	alarm := s.a
	if s.last != nil {
		alarm = *s.last
	}
	s.out = append(s.out, Transition{
		Occurrence: occurrence, Key: s.a.Key, Time: s.now, Event: event,
		From: before.State(), To: s.a.State(), Who: who, Reason: reason,
		Alarm: alarm,
	})
	return &s.out[len(s.out)-1]
}

// call makes the transition ask for attention, unless the alarm is silenced:
// then the call is owed.
func (s *step) call(t *Transition) {
	if s.a.Silenced() {
		s.a.Owed = true
		return
	}
	t.Annunciate = true
	s.a.Owed = false
	s.a.Annunciations++
	if t.Event == EventRepeat {
		s.a.Repeats++
	} else {
		s.a.Repeats, s.a.LastAnnunciated = 0, s.now
	}
	s.repeatLater()
	t.Alarm = s.a
}

// repeatLater sets when the last call is repeated.
func (s *step) repeatLater() { s.a.RepeatAt = s.def.repeatAfter(s.a.Repeats, s.now) }

// raise makes the alarm active, folded at once under its root if that is not
// nil. An occurrence that is still open, returned and unacknowledged, goes on
// under its number: whoever was told of it hears of it again as the same
// trouble.
func (s *step) raise(root *Key) {
	before := s.a
	event, reason := EventRaise, "condition true"
	if s.def.OnDelay > 0 {
		reason = fmt.Sprintf("condition true for %v", s.def.OnDelay)
	}
	if s.a.Occurrence == 0 {
		s.a.Occurrence, s.a.RaisedAt = s.occurrence, s.now
	} else {
		event, reason = EventRecur, "condition true again"
		s.a.Recurrences++
	}
	s.a.Active = true
	if root != nil {
		s.a.Under = root
		reason += ", consequence of " + root.String()
	}
	s.unacknowledge()
	s.a.ClearedAt, s.a.Fleeting = time.Time{}, false
	s.a.On, s.a.Off = Delay{}, Delay{}
	s.a = s.a.remember(s.now)
	s.call(s.record(event, before, "", reason))
}

func (s *step) unacknowledge() {
	s.a.Acked, s.a.AckedAt, s.a.AckedBy, s.a.AckMoved, s.a.Going = false, time.Time{}, "", 0, false
	s.a.VainAt = time.Time{}
}

// clear ends the activity. What nobody was told of closes quietly; what
// people were told of stays open until it is acknowledged.
func (s *step) clear() {
	before := s.a
	reason := "condition false"
	if wait := s.a.offDelay(s.def); wait > 0 {
		reason = fmt.Sprintf("condition false for %v", wait)
	}
	told := s.a.Annunciations > 0
	s.a.Active, s.a.ClearedAt = false, s.now
	s.a.On, s.a.Off = Delay{}, Delay{}
	s.a.Fleeting = !s.a.Acked && s.a.FalseSince.Sub(s.a.lastActivation()) < FleetingLimit
	if s.a.Chattering {
		s.a.Chattering, s.a.Activations = false, nil
	}
	if s.a.Acked || !told {
		s.close()
	}
	s.letGo()
	s.record(EventReturn, before, "", reason).Cleared = told
	if !s.a.Silenced() {
		s.a.Owed = false
	}
}

// letGo takes the alarm from under its root once it is no longer active: only
// what asks for a person by itself can be folded.
func (s *step) letGo() {
	if !s.a.Active {
		s.a.Under, s.a.UnfoldAt = nil, time.Time{}
	}
}

// callIfOwed makes the call that is owed once nothing silences the alarm.
func (s *step) callIfOwed(t *Transition) {
	if s.a.Silenced() || !s.a.Owed {
		return
	}
	s.a.Owed = false
	if !s.a.Active {
		return
	}
	s.unacknowledge()
	s.call(t)
	t.To = s.a.State()
}

// acknowledge marks the open occurrence as taken on, by somebody who may say to
// be on the way to it.
func (s *step) acknowledge(event Event, who string) {
	before := s.a
	s.a.Acked, s.a.AckedAt, s.a.AckedBy, s.a.AckMoved, s.a.Going = true, s.now, who, 0, event == EventGoing
	s.a.AckedValue, s.a.AckedLimit, s.a.VainAt = s.a.Value, s.a.Limit, time.Time{}
	if s.def.Priority() > Low {
		s.a.VainAt = s.now.Add(s.def.TimeToRespond)
	}
	if !s.a.silencedByHand() {
		// Only folded: the person has seen it, no call is owed any more.
		s.a.Owed = false
	}
	if !s.a.Active {
		s.close()
	}
	s.letGo()
	s.record(event, before, who, "")
}

// silence applies one of the two ways in which people silence an alarm.
// Whoever shelves an alarm or takes it out of service has seen it, so that
// counts as acknowledging the occurrence open then.
func (s *step) silence(event Event, who, reason string, set func(*Alarm)) {
	before := s.a
	set(&s.a)
	s.a.Owed = true
	if s.a.Occurrence != 0 && !s.a.Acked {
		s.a.Acked, s.a.AckedAt, s.a.AckedBy = true, s.now, who
		if !s.a.Active {
			s.close()
		}
		s.letGo()
	}
	s.record(event, before, who, reason)
}

// restore ends one of the ways of silencing.
func (s *step) restore(event Event, who, reason string, unset func(*Alarm)) {
	before := s.a
	unset(&s.a)
	s.callIfOwed(s.record(event, before, who, reason))
}

// fold puts the alarm under a root, or moves it to another one.
func (s *step) fold(root Key) {
	before := s.a
	s.a.Under, s.a.UnfoldAt = &root, time.Time{}
	s.record(EventFold, before, "", "consequence of "+root.String())
}

// unfold lets the alarm go. It calls only if it never could before: an
// occurrence that had called earlier is known to somebody.
func (s *step) unfold() {
	before := s.a
	s.a.Under, s.a.UnfoldAt = nil, time.Time{}
	if s.a.Annunciations > 0 {
		s.repeatLater()
	}
	s.callIfOwed(s.record(EventUnfold, before, "", "root alarm is over"))
}

// repeat calls again for an alarm that nobody has acknowledged.
func (s *step) repeat() {
	before := s.a
	s.call(s.record(EventRepeat, before, "", fmt.Sprintf("not acknowledged within %v", s.now.Sub(s.a.LastAnnunciated))))
}

// realarm calls again for an alarm that was acknowledged and is still active.
func (s *step) realarm() {
	before := s.a
	s.unacknowledge()
	s.call(s.record(EventReAlarm, before, "", fmt.Sprintf("still active %v after it was acknowledged", s.def.ReAlarm)))
	s.out[len(s.out)-1].To = s.a.State()
}

// inVain calls again for an alarm that matters whose acknowledgement has led to
// nothing in the time to respond. Otherwise it looks again after as long. What is
// of low priority calls once.
func (s *step) inVain(matters bool) {
	if !matters || s.a.better(s.def.Deadband) {
		s.a.VainAt = s.now.Add(s.def.TimeToRespond)
		return
	}
	before := s.a
	s.unacknowledge()
	s.call(s.record(EventInVain, before, "", fmt.Sprintf("no better %v after it was acknowledged", s.now.Sub(before.AckedAt.Add(before.AckMoved)))))
	s.out[len(s.out)-1].To = s.a.State()
}

// observe takes one finding in and reports whether the delay it completes is
// already over, so that the alarm must be raised or cleared now.
func (s *step) observe(o Observation) (raise, clear bool) {
	truth := o.Truth
	if !finite(o.Value) || !finite(o.Limit) {
		truth = Unknown
	}
	if truth == Unknown {
		s.a = s.a.hold(s.now)
		s.a.Want = o.Detail
		return false, false
	}
	if !s.a.UnknownSince.IsZero() && !s.a.VainAt.IsZero() {
		// What came of an acknowledgement is known only now.
		s.a.VainAt = latest(s.a.VainAt, s.now)
	}
	s.a.UnknownSince, s.a.Want = time.Time{}, wording.Text{}
	s.a.Truth, s.a.ObservedAt = truth, s.now
	s.a.Value, s.a.Limit, s.a.Unit, s.a.AirC, s.a.Due = o.Value, o.Limit, o.Unit, o.AirC, o.Due
	if truth != False || !o.Detail.IsZero() {
		// That all is well again needs no words; what was wrong stays.
		s.a.Detail = o.Detail
	}
	if truth != False {
		// A condition that has just turned false names no root any more; it
		// must not be let go from under one, and call, during its off-delay.
		s.a.NamedRoot = o.Root
	}
	switch truth {
	case True:
		s.a.Off = Delay{}
		if !s.a.Active {
			s.a.On = s.a.On.run(s.now, s.def.OnDelay)
			raise = !s.a.On.due(s.def.OnDelay).After(s.now)
		}
	case Between:
		// Within the limit again, not yet safely: neither delay may run on.
		s.a.On, s.a.Off = Delay{}, Delay{}
	case False:
		s.a.On = Delay{}
		if s.a.Active {
			wait := s.a.offDelay(s.def)
			if s.a.Off.idle() {
				s.a.FalseSince = s.now
			}
			s.a.Off = s.a.Off.run(s.now, wait)
			clear = !s.a.Off.due(wait).After(s.now)
		} else {
			s.a = s.a.forget(s.now)
		}
	}
	return raise, clear
}
