package alerts

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// MaxShelving is the longest time for which an alarm can be shelved at once
// (ISA-18.2 asks for a limit and leaves its length to the site).
const MaxShelving = 24 * time.Hour

// Why an order can be refused. The errors returned wrap one of these.
var (
	// ErrUndefined: there is no such condition.
	ErrUndefined = errors.New("no alarm is defined for this condition")
	// ErrNothingOpen: no occurrence waits for the order.
	ErrNothingOpen = errors.New("nothing is open")
	// ErrAlready: the alarm is already in the state asked for.
	ErrAlready = errors.New("already so")
	// ErrNotSo: the alarm is not in the state the order would end.
	ErrNotSo = errors.New("not so")
	// ErrArgument: something needed is missing or out of range.
	ErrArgument = errors.New("cannot be used")
)

// Verb is what a person tells an alarm.
type Verb string

// The verbs.
const (
	// Acknowledge: Who has seen the alarm and takes it on.
	Acknowledge Verb = "acknowledge"
	// Going: Who takes the alarm on, as by Acknowledge, and is on the way to it.
	// It may follow an acknowledgement, whoever gave that.
	Going Verb = "going"
	// Shelve silences the alarm for a limited time, at most MaxShelving, with
	// a reason. It may be given again to lengthen or shorten the time. It
	// counts as acknowledging what is open. When it ends and the condition is
	// still true the alarm calls again.
	Shelve Verb = "shelve"
	// Unshelve ends a shelving before its time.
	Unshelve Verb = "unshelve"
	// TakeOut takes the alarm out of service for maintenance, with a reason.
	TakeOut Verb = "take out of service"
	// Return returns it to service. Under a root that is active then the alarm
	// goes straight from one silence into the other, without a call.
	Return Verb = "return to service"
)

// Order is what a person tells one alarm.
type Order struct {
	Verb Verb
	Key  Key
	Who  string
	// For is needed to shelve, Reason to shelve and to take out of service.
	For    time.Duration
	Reason string
	// Incident asks to take on all alarms of the incident; the machine, which
	// knows none, carries out the order for the one alarm.
	Incident bool
}

func (o *Order) refuse(why error, format string, args ...any) error {
	return fmt.Errorf("%s %v: %w: %s", o.Verb, o.Key, why, fmt.Sprintf(format, args...))
}

// Check says why an order cannot be carried out as the alarms are now, nil if
// it can. It changes nothing.
func (m *Machine) Check(o Order) error {
	if _, known := m.defs[o.Key.Condition]; !known {
		return fmt.Errorf("%s %v: %w", o.Verb, o.Key, ErrUndefined)
	}
	if strings.TrimSpace(o.Who) == "" {
		return o.refuse(ErrArgument, "the name of the person is missing")
	}
	if (o.Verb == Shelve || o.Verb == TakeOut) && strings.TrimSpace(o.Reason) == "" {
		return o.refuse(ErrArgument, "a reason is missing")
	}
	a := m.Alarm(o.Key)
	switch o.Verb {
	case Acknowledge, Going:
		if a.Occurrence == 0 {
			return o.refuse(ErrNothingOpen, "the alarm is %v", a.State())
		}
		if a.Acked && (o.Verb == Acknowledge || a.Going && a.AckedBy == o.Who) {
			return o.refuse(ErrAlready, "%s acknowledged it at %s", a.AckedBy, a.AckedAt.Format(time.RFC3339))
		}
	case Shelve:
		if o.For <= 0 || o.For > MaxShelving {
			return o.refuse(ErrArgument, "%v is not between 0 and %v", o.For, MaxShelving)
		}
	case Unshelve:
		if a.ShelvedUntil.IsZero() {
			return o.refuse(ErrNotSo, "the alarm is not shelved")
		}
	case TakeOut:
		if a.OutOfService {
			return o.refuse(ErrAlready, "by %s", a.OutOfServiceBy)
		}
	case Return:
		if !a.OutOfService {
			return o.refuse(ErrNotSo, "the alarm is in service")
		}
	default:
		return o.refuse(ErrArgument, "nothing is known by that name")
	}
	return nil
}

// Carry carries out an order that Check lets pass. One that it does not let
// pass changes nothing.
func (m *Machine) Carry(o Order) []Transition {
	if m.Check(o) != nil {
		return nil
	}
	out := m.apply(o.Key, func(s *step) { s.carry(&o) })
	if o.Verb == TakeOut || o.Verb == Return {
		out = append(out, m.refoldAfter(o.Key)...)
	}
	return out
}

func (s *step) carry(o *Order) {
	switch o.Verb {
	case Acknowledge:
		s.acknowledge(EventAcknowledge, o.Who)
	case Going:
		s.acknowledge(EventGoing, o.Who)
	case Shelve:
		until := s.now.Add(o.For)
		s.silence(EventShelve, o.Who, o.Reason, func(a *Alarm) {
			a.ShelvedUntil, a.ShelvedBy, a.ShelveReason = until, o.Who, o.Reason
		})
	case Unshelve:
		s.restore(EventUnshelve, o.Who, "", (*Alarm).unshelve)
	case TakeOut:
		s.silence(EventOutOfService, o.Who, o.Reason, func(a *Alarm) {
			a.OutOfService, a.OutOfServiceBy, a.OutOfServiceReason = true, o.Who, o.Reason
		})
	case Return:
		s.restore(EventReturnToService, o.Who, "", func(a *Alarm) {
			a.OutOfService, a.OutOfServiceBy, a.OutOfServiceReason = false, "", ""
		})
	}
}

func (a *Alarm) unshelve() { a.ShelvedUntil, a.ShelvedBy, a.ShelveReason = time.Time{}, "", "" }
