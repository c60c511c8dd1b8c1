package alerts

import (
	"slices"
	"time"
)

// An alarm chatters when it becomes active three times within a minute, the
// usual detector for plant signals, or four times within two hours: room air
// moves slowly and its delays are minutes, so that the first rule alone would
// never see it (the second is common practice, no published source).
const (
	ChatterCount      = 3
	ChatterWindow     = time.Minute
	RoomChatterCount  = 4
	RoomChatterWindow = 2 * time.Hour
	// ChatterHold is the least off-delay of a chattering alarm. It keeps the
	// alarm active through the bouncing: one trouble, one conversation.
	ChatterHold = 30 * time.Minute
	// FleetingLimit is how long the condition must stay true after raising
	// for a person to have had a chance; a shorter one is fleeting.
	FleetingLimit = time.Minute
)

// remember adds an activation and judges chattering. The slice is replaced,
// never changed, since copies of the alarm share it.
func (a Alarm) remember(now time.Time) Alarm {
	a = a.forget(now)
	// Never more than four: the fourth chatters, and with its end all go.
	times := append(slices.Clip(a.Activations), now)
	a.Activations = times
	within := func(count int, window time.Duration) bool {
		return len(times) >= count && now.Sub(times[len(times)-count]) <= window
	}
	a.Chattering = a.Chattering || within(ChatterCount, ChatterWindow) || within(RoomChatterCount, RoomChatterWindow)
	return a
}

// forget drops activations that can no longer count.
func (a Alarm) forget(now time.Time) Alarm {
	first := 0
	for first < len(a.Activations) && now.Sub(a.Activations[first]) > RoomChatterWindow {
		first++
	}
	if first == len(a.Activations) {
		a.Activations = nil
		return a
	}
	a.Activations = a.Activations[first:]
	return a
}

// offDelay is the off-delay in force, longer while the alarm chatters.
func (a Alarm) offDelay(d *Definition) time.Duration {
	if a.Chattering {
		return max(d.OffDelay, ChatterHold)
	}
	return d.OffDelay
}

func (a Alarm) lastActivation() time.Time {
	if len(a.Activations) == 0 {
		return a.RaisedAt
	}
	return a.Activations[len(a.Activations)-1]
}
