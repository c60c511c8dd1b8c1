package daemon

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
)

// An alarm that nobody acknowledges is told again after the pauses of the
// configuration until somebody does: each time once to each person on each
// channel, and a replay tells the same.
func TestNobodyComes(t *testing.T) {
	r := newRigOf(t, foldtest.Facility+"alarms: {heat: {repeat: [20m, 40m]}}\n")
	r.monarchs(testStart)
	heat := alerts.Key{Condition: conditions.Heat, Room: "nursery"}
	hot := func(from, to int) {
		for m := from; m < to; m++ {
			r.air(minute(m), 36, 70)
			r.tick(minute(m).Add(10 * time.Second))
		}
	}
	hot(0, 150)
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "keeper"})
	hot(150, 240)

	rows, err := r.records().NoticesBetween(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	type lane struct{ recipient, channel string }
	told := map[lane][]string{}
	var raised time.Time
	keys := map[string]bool{}
	for _, row := range rows {
		var n notify.AlarmNotice
		if err := json.Unmarshal(row.Payload, &n); err != nil {
			t.Fatal(err)
		}
		if n.Key != heat {
			continue
		}
		if keys[row.Key] {
			t.Errorf("notice %s is written twice", row.Key)
		}
		keys[row.Key], raised = true, n.RaisedAt
		to := lane{row.Recipient, row.Channel}
		told[to] = append(told[to], string(n.Kind)+" after "+n.Time.Sub(raised).String())
	}
	want := []string{"raised after 0s", "reminder after 20m0s", "reminder after 1h0m0s", "reminder after 1h40m0s", "reminder after 2h20m0s"}
	if len(told) == 0 {
		t.Error("nobody was told")
	}
	for to, got := range told {
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%v (-want +got):\n%s", to, d)
		}
	}
	r.stop()
	live := transitions(t, r.path)
	if d := cmp.Diff(live, r.replayed().Transitions); d != "" {
		t.Errorf("a replay tells something else (-live +replayed):\n%s", d)
	}
}
