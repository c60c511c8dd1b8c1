package alerts

import "fmt"

// State is the name ISA-18.2 and IEC 62682 give to the condition of an alarm.
// It is derived from the parallel flags of Alarm, never stored on its own.
type State uint8

// The states of the standard.
const (
	// Normal: the condition is false and nothing is left to acknowledge.
	Normal State = iota
	// Unacknowledged: the condition is true and nobody has taken it on.
	Unacknowledged
	// Acknowledged: the condition is true and somebody has taken it on.
	Acknowledged
	// Returned: the condition is false again, yet nobody acknowledged it.
	Returned
	// Shelved: silenced by a person, for a limited time, with a reason.
	Shelved
	// Suppressed: silenced by design, as the consequence of a root alarm.
	Suppressed
	// OutOfService: silenced by a person for maintenance.
	OutOfService
)

var stateNames = [...]string{
	"normal", "unacknowledged", "acknowledged", "returned",
	"shelved", "suppressed", "out-of-service",
}

// String returns the lower-case name of the state.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// MarshalText writes the name of the state.
func (s State) MarshalText() ([]byte, error) {
	if int(s) >= len(stateNames) {
		return nil, fmt.Errorf("unknown alarm state %d", uint8(s))
	}
	return []byte(stateNames[s]), nil
}

// UnmarshalText is the inverse of MarshalText.
func (s *State) UnmarshalText(text []byte) error {
	for i, name := range stateNames {
		if name == string(text) {
			*s = State(i)
			return nil
		}
	}
	return fmt.Errorf("unknown alarm state %q", text)
}

// Event is what made an alarm change.
type Event string

// The events.
const (
	// EventRaise: the condition held for the on-delay; a new occurrence.
	EventRaise Event = "raise"
	// EventRecur: true again before the occurrence was closed.
	EventRecur Event = "recur"
	// EventReturn: false for the off-delay.
	EventReturn      Event = "return"
	EventAcknowledge Event = "acknowledge"
	// EventGoing: acknowledged by somebody who is on the way.
	EventGoing   Event = "going"
	EventReAlarm Event = "re-alarm"
	// EventInVain: an acknowledgement led to nothing.
	EventInVain Event = "in-vain"
	// EventRepeat: nobody acknowledged a call.
	EventRepeat          Event = "repeat"
	EventShelve          Event = "shelve"
	EventUnshelve        Event = "unshelve"
	EventShelvingEnds    Event = "shelving-ends"
	EventOutOfService    Event = "out-of-service"
	EventReturnToService Event = "return-to-service"
	// EventFold: a root alarm took the alarm under itself.
	EventFold Event = "fold"
	// EventUnfold: the root is gone.
	EventUnfold Event = "unfold"
)
