package alarms_test

import (
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web/alarms"
	"rearguard/dashboards/web/page"
)

func TestHeadingNamesThePlace(t *testing.T) {
	s := dashtest.Sample()
	v := &page.View{S: s, Loc: time.UTC}
	for _, tt := range []struct {
		key         alerts.Key
		title, want string
	}{
		{alerts.Key{Condition: "heat", Room: "nursery"}, "too hot", "Nursery: too hot"},
		{alerts.Key{Condition: "sensor_silent", Room: "emergence", Subject: "emergence-cage"}, "sensor silent", "Emergence room, emergence-cage: sensor silent"},
		{alerts.Key{Condition: "broker_lost"}, "broker lost", "Broker lost"},
		{alerts.Key{Condition: "notice_undeliverable", Subject: "mail"}, "notice cannot be delivered", "Mail: notice cannot be delivered"},
		{alerts.Key{Condition: "heat", Room: "nursery"}, "Nursery is too hot", "Nursery is too hot"},
		{alerts.Key{Condition: "heat", Room: "attic"}, "éclat", "Attic: éclat"},
	} {
		if got := alarms.CardOf(v, &snapshot.Alarm{Key: tt.key, Title: tt.title}).Heading(); got != tt.want {
			t.Errorf("heading %q, want %q", got, tt.want)
		}
	}
}

// TestEveryStateHasItsList walks the states of ISA-18.2 as package alerts
// names them: who waits for somebody, who is silenced, who is neither.
func TestEveryStateHasItsList(t *testing.T) {
	for state, want := range map[alerts.State]string{
		alerts.Unacknowledged: "open", alerts.Returned: "open",
		alerts.Acknowledged: "rest",
		alerts.Shelved:      "silenced", alerts.Suppressed: "silenced", alerts.OutOfService: "silenced",
	} {
		// A name left over from an earlier occurrence must not hide a new one.
		s := &snapshot.Snapshot{Alarms: []snapshot.Alarm{{State: state, Handling: snapshot.Handling{
			AcknowledgedBy: "Ines", AcknowledgedAt: dashtest.Now()}}}}
		lists := alarms.All(&page.View{S: s, Loc: time.UTC})
		got := map[bool]string{len(lists.Open) == 1: "open", len(lists.Rest) == 1: "rest", len(lists.Silenced) == 1: "silenced"}[true]
		if got != want || lists.Total != 1 {
			t.Errorf("%s: list %q of %d, want %q", state, got, lists.Total, want)
		}
	}
}
