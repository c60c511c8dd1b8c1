package alerts

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// MaxShelving is the longest time for which an alarm can be shelved at once.
const MaxShelving = 24 * time.Hour

// Why a command can be refused. The errors returned wrap one of these.
var (
	// ErrUndefined: there is no such condition.
	ErrUndefined = errors.New("no alarm is defined for this condition")
	// ErrNothingOpen: no occurrence waits for the command.
	ErrNothingOpen = errors.New("nothing is open")
	// ErrAlready: the alarm is already in the state asked for.
	ErrAlready = errors.New("already so")
	// ErrNotSo: the alarm is not in the state the command would end.
	ErrNotSo = errors.New("not so")
	// ErrArgument: something needed is missing or out of range.
	ErrArgument = errors.New("cannot be used")
)

// Acknowledge says that who has seen the alarm and takes it on.
func (m *Machine) Acknowledge(key Key, who string, now time.Time) ([]Transition, error) {
	out, err := m.begin("acknowledge", key, now, need{"the name of the person", who})
	if err != nil {
		return out, err
	}
	a := m.Alarm(key)
	if a.Occurrence == 0 {
		return out, fmt.Errorf("acknowledge %v: %w: the alarm is %v", key, ErrNothingOpen, a.State())
	}
	if a.Acked {
		return out, fmt.Errorf("acknowledge %v: %w: %s acknowledged it at %s",
			key, ErrAlready, a.AckedBy, a.AckedAt.Format(time.RFC3339))
	}
	return append(out, m.apply(key, func(s *step) { s.acknowledge(who) })...), nil
}

// Shelve silences the alarm for a limited time, at most MaxShelving, with a
// reason. It may be given again to lengthen or shorten the time. It counts as
// acknowledging what is open. When it ends and the condition is still true
// the alarm calls again.
func (m *Machine) Shelve(key Key, who, reason string, span time.Duration, now time.Time) ([]Transition, error) {
	out, err := m.begin("shelve", key, now, need{"the name of the person", who}, need{"a reason", reason})
	if err != nil {
		return out, err
	}
	if span <= 0 || span > MaxShelving {
		return out, fmt.Errorf("shelve %v: %w: %v is not between 0 and %v", key, ErrArgument, span, MaxShelving)
	}
	until := m.now.Add(span)
	return append(out, m.apply(key, func(s *step) {
		s.silence(EventShelve, who, reason, func(a *Alarm) {
			a.ShelvedUntil, a.ShelvedBy, a.ShelveReason = until, who, reason
		})
	})...), nil
}

func (a *Alarm) unshelve() { a.ShelvedUntil, a.ShelvedBy, a.ShelveReason = time.Time{}, "", "" }

// Unshelve ends a shelving before its time.
func (m *Machine) Unshelve(key Key, who string, now time.Time) ([]Transition, error) {
	out, err := m.begin("unshelve", key, now, need{"the name of the person", who})
	if err != nil {
		return out, err
	}
	if m.Alarm(key).ShelvedUntil.IsZero() {
		return out, fmt.Errorf("unshelve %v: %w: the alarm is not shelved", key, ErrNotSo)
	}
	return append(out, m.apply(key, func(s *step) {
		s.restore(EventUnshelve, who, "", (*Alarm).unshelve)
	})...), nil
}

// Suppress silences the alarm by design: by names the logic, for example
// "room is being cleaned by schedule". It acknowledges nothing.
func (m *Machine) Suppress(key Key, by string, now time.Time) ([]Transition, error) {
	out, err := m.begin("suppress", key, now, need{"the name of the logic", by})
	if err != nil {
		return out, err
	}
	if m.Alarm(key).SuppressedBy == by {
		return out, fmt.Errorf("suppress %v: %w: by %s", key, ErrAlready, by)
	}
	out = append(out, m.apply(key, func(s *step) {
		s.silence(EventSuppress, "", by, func(a *Alarm) { a.SuppressedBy = by })
	})...)
	return append(out, m.refoldAfter(key)...), nil
}

// Unsuppress ends suppression by design.
func (m *Machine) Unsuppress(key Key, now time.Time) ([]Transition, error) {
	out, err := m.begin("unsuppress", key, now)
	if err != nil {
		return out, err
	}
	if m.Alarm(key).SuppressedBy == "" {
		return out, fmt.Errorf("unsuppress %v: %w: the alarm is not suppressed", key, ErrNotSo)
	}
	return append(out, m.release(key, EventUnsuppress, "", func(a *Alarm) { a.SuppressedBy = "" })...), nil
}

// OutOfService silences the alarm for maintenance, until ReturnToService.
func (m *Machine) OutOfService(key Key, who, reason string, now time.Time) ([]Transition, error) {
	out, err := m.begin("take out of service", key, now, need{"the name of the person", who}, need{"a reason", reason})
	if err != nil {
		return out, err
	}
	if a := m.Alarm(key); a.OutOfService {
		return out, fmt.Errorf("take out of service %v: %w: by %s", key, ErrAlready, a.OutOfServiceBy)
	}
	out = append(out, m.apply(key, func(s *step) {
		s.silence(EventOutOfService, who, reason, func(a *Alarm) {
			a.OutOfService, a.OutOfServiceBy, a.OutOfServiceReason = true, who, reason
		})
	})...)
	return append(out, m.refoldAfter(key)...), nil
}

// ReturnToService ends maintenance.
func (m *Machine) ReturnToService(key Key, who string, now time.Time) ([]Transition, error) {
	out, err := m.begin("return to service", key, now, need{"the name of the person", who})
	if err != nil {
		return out, err
	}
	if !m.Alarm(key).OutOfService {
		return out, fmt.Errorf("return to service %v: %w: the alarm is in service", key, ErrNotSo)
	}
	return append(out, m.release(key, EventReturnToService, who, func(a *Alarm) {
		a.OutOfService, a.OutOfServiceBy, a.OutOfServiceReason = false, "", ""
	})...), nil
}

// release ends suppression or maintenance. Under a root that is active now
// the alarm goes straight from one silence into the other, without a call.
func (m *Machine) release(key Key, event Event, who string, unset func(*Alarm)) []Transition {
	out := m.apply(key, func(s *step) { s.restore(event, who, "", unset) })
	return append(out, m.refoldAfter(key)...)
}

// Reset lets go of a latched alarm that has been acknowledged.
func (m *Machine) Reset(key Key, who string, now time.Time) ([]Transition, error) {
	out, err := m.begin("reset", key, now, need{"the name of the person", who})
	if err != nil {
		return out, err
	}
	a := m.Alarm(key)
	if !a.Latched {
		return out, fmt.Errorf("reset %v: %w: the alarm is not latched", key, ErrNotSo)
	}
	if !a.Acked {
		return out, fmt.Errorf("reset %v: %w: acknowledge it first", key, ErrNotSo)
	}
	return append(out, m.apply(key, func(s *step) { s.reset(who) })...), nil
}

type need struct{ what, value string }

// begin checks what every command needs and lets time pass up to now.
func (m *Machine) begin(verb string, key Key, now time.Time, needs ...need) ([]Transition, error) {
	if _, known := m.defs[key.Condition]; !known {
		return nil, fmt.Errorf("%s %v: %w", verb, key, ErrUndefined)
	}
	for _, n := range needs {
		if strings.TrimSpace(n.value) == "" {
			return nil, fmt.Errorf("%s %v: %w: %s is missing", verb, key, ErrArgument, n.what)
		}
	}
	return m.Advance(now), nil
}
