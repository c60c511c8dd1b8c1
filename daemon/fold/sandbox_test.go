package fold

import (
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/foldtest"
)

func TestSandboxRaisesHeat(t *testing.T) {
	o := testOptions(t, foldtest.Facility)
	o.ForecastEvery = 0
	sandbox := newSandbox(t, o)
	if err := sandbox.Do(monarchs("c", "egg", 10, testStart)); err != nil {
		t.Fatal(err)
	}
	for m := range 60 {
		at := minute(m)
		if err := sandbox.Messages(nursery("a", at, 26+12*float64(m)/60, 70)); err != nil {
			t.Fatal(err)
		}
		if err := sandbox.Advance(at.Add(time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	heat := 0
	for _, s := range sandbox.TakeSteps() {
		if s.Key.Condition == "heat" && s.To == alerts.Unacknowledged {
			heat++
		}
	}
	notices := sandbox.TakeNotices()
	if heat != 1 || len(notices) == 0 {
		t.Errorf("%d heat alarms, %d notices", heat, len(notices))
	}
	if len(sandbox.TakeNotices()) != 0 {
		t.Error("notices are taken twice")
	}
}
