// Package proof tells whether rearguard works from one end to the other: a
// reading that a sensor sent lately has been decided about and is in the records,
// nothing urgent waits for too long to be told, the clock is believed and the
// broker delivers. Whoever outside hears that all is proven need not ask anything
// else, and whoever hears nothing must look.
//
// The program that runs rearguard needs to know less. It is to start it anew when
// it hangs, and not because a broker, a disk or a mail server fails, which a new
// start would not mend: see Alive.
package proof

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/progress"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// mostTried bounds the sensors whose newest reading is looked for in the records.
const mostTried = 3

// Missing says in sentences what there is of the proof at a time that does not
// hold, nothing where all does. Recorded reports whether the records hold a
// reading of a series with an event time.
func Missing(ctx context.Context, now time.Time, s *snapshot.Snapshot, stages []progress.State, recorded func(context.Context, sensors.Series, time.Time) (bool, error)) []string {
	var missing []string
	for _, stage := range stages {
		if !stage.OK {
			missing = append(missing, stage.Problem)
		}
	}
	switch {
	case !s.Broker.Connected:
		missing = append(missing, "the broker is not connected")
	case !s.Broker.Subscribed:
		missing = append(missing, "the broker has not accepted the subscriptions")
	}
	if !s.Store.OK {
		missing = append(missing, "the records cannot be written")
	}
	if s.Clock.Doubt.Problem != "" {
		missing = append(missing, "the clock is not believed")
	}
	if s.Overdue > 0 {
		missing = append(missing, fmt.Sprintf("urgent notices are overdue: %d", s.Overdue))
	}
	if problem := fresh(ctx, now, s, recorded); problem != "" {
		missing = append(missing, problem)
	}
	return missing
}

// fresh says what is wrong with the newest readings: one that is younger than the
// habit of its sensor has to be in the records.
func fresh(ctx context.Context, now time.Time, s *snapshot.Snapshot, recorded func(context.Context, sensors.Series, time.Time) (bool, error)) string {
	var list []sensors.Reading
	for i := range s.Sensors {
		v := &s.Sensors[i]
		if v.Silent || v.ExpectedInterval <= 0 {
			continue
		}
		for _, r := range v.Values {
			if now.Sub(r.Time) <= v.ExpectedInterval {
				list = append(list, r)
			}
		}
	}
	if len(list) == 0 {
		return quiet(s.Sensors)
	}
	// The very newest may be on its way to the disk.
	slices.SortFunc(list, func(a, b sensors.Reading) int { return b.Time.Compare(a.Time) })
	for n, i := 0, 0; i < len(list) && n < mostTried; i++ {
		if i > 0 && list[i].Sensor == list[i-1].Sensor {
			continue
		}
		n++
		switch held, err := recorded(ctx, list[i].Series, list[i].Time); {
		case err != nil:
			return "the records cannot be read"
		case held:
			return ""
		}
	}
	return "the newest readings are not in the records"
}

func quiet(list []desk.View) string {
	if len(list) == 0 {
		return "there is no sensor"
	}
	return "no sensor has sent anything within its interval"
}

// Alive reports whether the program itself gets on, and says so to whoever would
// start it anew. What is written must be on the disk soon or fail, but that it
// fails, that the broker is gone or that nobody can be told is no reason.
func Alive(stages []progress.State, storeOK bool) bool {
	for _, stage := range stages {
		switch stage.Of {
		case progress.Tick:
			if !stage.OK {
				return false
			}
		case progress.Commit, progress.Tell:
			if !stage.OK && storeOK {
				return false
			}
		case progress.Decide:
			// Readings wait as long as the records fail.
		}
	}
	return true
}
