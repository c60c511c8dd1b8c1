package species

import (
	"strings"
	"time"
)

// EventName names what happens to an animal at one moment of its life: the
// entry into a stage, or what follows one.
type EventName string

// The events.
const (
	EventLaying EventName = "laying"
	// EventHatching is the entry into the first instar, EventMoult that into
	// a later one.
	EventHatching EventName = "hatching"
	EventMoult    EventName = "moult"
	EventPrepupa  EventName = "prepupa"
	EventPupation EventName = "pupation"
	EventEclosion EventName = "eclosion"
	// EventWingHardening are the hours after eclosion in which wings harden;
	// it has a delicate window and is never forecast.
	EventWingHardening EventName = "wing hardening"
)

// EventInto is the event with which animals enter a stage.
func EventInto(stage StageID) EventName {
	switch {
	case stage == Egg:
		return EventLaying
	case stage == FirstInstar:
		return EventHatching
	case strings.HasPrefix(string(stage), "larva-"):
		return EventMoult
	case stage == Prepupa:
		return EventPrepupa
	case stage == Pupa:
		return EventPupation
	case stage == Adult:
		return EventEclosion
	}
	return "entry into " + EventName(stage)
}

// Window is a delicate span of hours around an event.
type Window struct {
	Event EventName
	// Before and After bound the window around the entry into the stage.
	Before, After time.Duration
	// DryingFactor multiplies the drying limit and its duration in the
	// window; HeatMarginC lowers the heat limit by that many degrees.
	DryingFactor, HeatMarginC float64
	Source                    string
	Assumed                   bool
}
