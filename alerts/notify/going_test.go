package notify_test

import (
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
)

// One after another may set out without a call between, and each is news.
func TestWhoeverSetsOutIsTold(t *testing.T) {
	first, second := heat(notify.Going, 2, begin.Add(time.Minute)), heat(notify.Going, 2, begin.Add(2*time.Minute))
	keys := map[string]bool{}
	for _, n := range []notify.AlarmNotice{first, second} {
		planned, err := notify.Plan([]notify.Duty{{People: []string{"lead"}, Channels: []string{"mail"}, Priorities: []alerts.Priority{alerts.High}}}, n, notify.To{Priorities: []alerts.Priority{alerts.High}})
		if err != nil || len(planned) != 1 {
			t.Fatal(planned, err)
		}
		keys[planned[0].Key] = true
	}
	if len(keys) != 2 {
		t.Errorf("keys %v", keys)
	}
}
