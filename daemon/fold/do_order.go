package fold

import (
	"context"
	"time"

	"rearguard/alerts"
)

// order is a command about one alarm. Alarms are brought up to its time before
// it is checked.
type order interface {
	Command
	order() alerts.Order
}

// carry says why an order cannot be carried out by the alarms, or returns how
// to.
func (f *Fold) carry(o order) (change, error) {
	what := o.order()
	if err := f.alarms.Check(what); err != nil {
		return nil, err
	}
	return func() error { return f.alarms.Carry(what) }, nil
}

// Acknowledge confirms that Who has seen the alarm and takes it on.
type Acknowledge struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// Kind names the command in the journal.
func (Acknowledge) Kind() string { return "acknowledge" }

func (c Acknowledge) who() string { return c.Who }

func (c Acknowledge) order() alerts.Order {
	return alerts.Order{Verb: alerts.Acknowledge, Key: c.Key, Who: c.Who}
}

func (c Acknowledge) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return f.carry(c)
}

// Shelve silences an alarm for a limited time with a reason.
type Shelve struct {
	Key    alerts.Key    `json:"key"`
	Who    string        `json:"who"`
	For    time.Duration `json:"for"`
	Reason string        `json:"reason"`
}

// Kind names the command in the journal.
func (Shelve) Kind() string { return "shelve" }

func (c Shelve) who() string { return c.Who }

func (c Shelve) order() alerts.Order {
	return alerts.Order{Verb: alerts.Shelve, Key: c.Key, Who: c.Who, For: c.For, Reason: c.Reason}
}

func (c Shelve) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return f.carry(c)
}

// Unshelve ends a shelving before its time.
type Unshelve struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// Kind names the command in the journal.
func (Unshelve) Kind() string { return "unshelve" }

func (c Unshelve) who() string { return c.Who }

func (c Unshelve) order() alerts.Order {
	return alerts.Order{Verb: alerts.Unshelve, Key: c.Key, Who: c.Who}
}

func (c Unshelve) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return f.carry(c)
}

// OutOfService silences an alarm for maintenance, until ReturnToService.
type OutOfService struct {
	Key    alerts.Key `json:"key"`
	Who    string     `json:"who"`
	Reason string     `json:"reason"`
}

// Kind names the command in the journal.
func (OutOfService) Kind() string { return "out-of-service" }

func (c OutOfService) who() string { return c.Who }

func (c OutOfService) order() alerts.Order {
	return alerts.Order{Verb: alerts.TakeOut, Key: c.Key, Who: c.Who, Reason: c.Reason}
}

func (c OutOfService) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return f.carry(c)
}

// ReturnToService ends maintenance.
type ReturnToService struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// Kind names the command in the journal.
func (ReturnToService) Kind() string { return "return-to-service" }

func (c ReturnToService) who() string { return c.Who }

func (c ReturnToService) order() alerts.Order {
	return alerts.Order{Verb: alerts.Return, Key: c.Key, Who: c.Who}
}

func (c ReturnToService) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return f.carry(c)
}
