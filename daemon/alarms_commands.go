package daemon

import (
	"errors"
	"time"

	"rearguard/alerts"
)

// Suppress silences an alarm by design: By names the logic, for example "room
// is empty for cleaning, plan of 3 May". It acknowledges nothing.
type Suppress struct {
	Key alerts.Key `json:"key"`
	By  string     `json:"by"`
}

// Unsuppress ends suppression by design.
type Unsuppress struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// OutOfService silences an alarm for maintenance, until ReturnToService.
type OutOfService struct {
	Key    alerts.Key `json:"key"`
	Who    string     `json:"who"`
	Reason string     `json:"reason"`
}

// ReturnToService ends maintenance.
type ReturnToService struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// Reset lets go of a latched alarm that has been acknowledged.
type Reset struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// Kind implements Command.
func (Suppress) Kind() string { return "suppress" }

// Kind implements Command.
func (Unsuppress) Kind() string { return "unsuppress" }

// Kind implements Command.
func (OutOfService) Kind() string { return "out-of-service" }

// Kind implements Command.
func (ReturnToService) Kind() string { return "return-to-service" }

// Kind implements Command.
func (Reset) Kind() string { return "reset" }

// alarmCommand carries out what people tell an alarm, false for any other
// event.
func (c *core) alarmCommand(event Command, arrival time.Time) (error, bool) { //nolint:revive // the flag belongs last in a comma-ok
	var steps []alerts.Transition
	var err error
	switch v := event.(type) {
	case Acknowledge:
		steps, err = c.machine.Acknowledge(v.Key, v.Who, arrival)
	case Shelve:
		steps, err = c.machine.Shelve(v.Key, v.Who, v.Reason, v.For, arrival)
	case Unshelve:
		steps, err = c.machine.Unshelve(v.Key, v.Who, arrival)
	case Suppress:
		steps, err = c.machine.Suppress(v.Key, v.By, arrival)
	case Unsuppress:
		steps, err = c.machine.Unsuppress(v.Key, arrival)
	case OutOfService:
		steps, err = c.machine.OutOfService(v.Key, v.Who, v.Reason, arrival)
	case ReturnToService:
		steps, err = c.machine.ReturnToService(v.Key, v.Who, arrival)
	case Reset:
		steps, err = c.machine.Reset(v.Key, v.Who, arrival)
	default:
		return nil, false
	}
	return errors.Join(c.emit(steps), refused(err)), true
}
