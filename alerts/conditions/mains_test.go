package conditions_test

import (
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/sensors"
)

// Four rooms lose their power together. None of them can be told from a
// failed heater for an hour; all of them together can, and one call is made.
func TestMainsOfSeveralRooms(t *testing.T) {
	for broken, wanted := range map[int]bool{4: true, 1: false} {
		machine, err := alerts.NewMachine(conditions.Definitions(), conditions.Folding()...)
		if err != nil {
			t.Fatal(err)
		}
		rooms := make([]*model, 4)
		for i := range rooms {
			rooms[i] = newModel(uint64(70 + i))
		}
		memories := make([]conditions.RoomMemory, len(rooms))
		begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		const breakMinute = 27 * 60
		var calls []alerts.Transition
		for minute := range breakMinute + 180 {
			now := begin.Add(time.Duration(minute) * time.Minute)
			signs := make([]conditions.RoomSign, len(rooms))
			for i, m := range rooms {
				if minute == breakMinute && i < broken {
					m.heater, m.humidifier = func() bool { return false }, false
				}
				for range 6 {
					m.step()
				}
				in := m.state(now)
				in.Room = sensors.RoomID("abcd"[i : i+1]) // a room of its own
				var found []alerts.Observation
				found, memories[i] = judge(in, memories[i])
				for _, o := range found {
					calls = append(calls, called(machine.Observe(o), begin.Add(breakMinute*time.Minute))...)
				}
				signs[i] = conditions.SignOf(&in, &memories[i])
			}
			for _, o := range conditions.EvaluateFacility(conditions.FacilityState{Now: now, Rooms: signs}) {
				calls = append(calls, called(machine.Observe(o), begin.Add(breakMinute*time.Minute))...)
			}
		}
		var after time.Duration
		for _, c := range calls {
			if c.Key.Condition == conditions.MainsLost {
				after = c.Time.Sub(begin) - breakMinute*time.Minute
			}
		}
		t.Logf("%d of 4 rooms without power: %d calls, mains told after %v: %v", broken, len(calls), after, keys(calls))
		if (after > 0) != wanted {
			t.Errorf("%d of 4 rooms without power: mains told is %v, want %v", broken, after > 0, wanted)
		}
		if wanted && (after > 30*time.Minute || len(calls) > 5) {
			t.Errorf("mains told after %v with %d calls, want within 30 min and at most 5", after, len(calls))
		}
	}
}

func called(steps []alerts.Transition, since time.Time) []alerts.Transition {
	var out []alerts.Transition
	for _, tr := range steps {
		if tr.Annunciate && tr.Event != alerts.EventRepeat && !tr.Time.Before(since) {
			out = append(out, tr)
		}
	}
	return out
}

func keys(list []alerts.Transition) []string {
	var out []string
	for _, tr := range list {
		out = append(out, tr.Key.String())
	}
	return out
}
