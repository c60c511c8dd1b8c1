package alarms_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
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

// A card says who was called, what came of it and who is next.
func TestCalling(t *testing.T) {
	at := time.Date(2026, 6, 2, 14, 0, 0, 0, time.UTC)
	minutes := func(n int) time.Time { return at.Add(time.Duration(n) * time.Minute) }
	called := []incidents.Called{{Person: "ines", At: minutes(-40), LastAt: minutes(-20)}, {Person: "ben", At: minutes(-20), LastAt: minutes(-20)}}
	for name, c := range map[string]struct {
		incident snapshot.Incident
		want     []string
	}{
		"nobody was called": {snapshot.Incident{}, nil},
		"waiting": {
			snapshot.Incident{Incident: incidents.Incident{Answer: incidents.Answer{Called: called, NextAt: minutes(10)}}, Names: []string{"Ines", "Ben"}, Next: []string{"Carla"}},
			[]string{"Called: Ines at 13:20 and last at 13:40, Ben at 13:40.", "Unless somebody answers, Carla is called at 14:10."},
		},
		"in vain": {
			snapshot.Incident{Incident: incidents.Incident{Answer: incidents.Answer{
				Called: called[:1], NextAt: minutes(10), Vain: &incidents.Vain{By: "Ines", At: minutes(-30), Then: 34.6, Now: 35.1, Unit: "°C"},
			}}, Names: []string{"Ines"}, Next: []string{"Carla", "Ben"}},
			[]string{
				"Ines has it since 13:30, and it has not got better: 34.6\u00a0°C then, 35.1\u00a0°C when it was looked at again.", "Called: Ines at 13:20 and last at 13:40.",
				"Unless somebody answers, these are called at 14:10: Carla, Ben.",
			},
		},
		"somebody else of the incident's": {
			snapshot.Incident{Incident: incidents.Incident{TakenBy: "Ben", TakenAt: minutes(-5), Going: true, Answer: incidents.Answer{Called: called[:1]}}, Names: []string{"Ines"}},
			[]string{"Called: Ines at 13:20 and last at 13:40.", "Ben is going since 13:55."},
		},
		"over": {snapshot.Incident{Incident: incidents.Incident{EndedAt: at, Answer: incidents.Answer{Called: called}}, Names: []string{"Ines", "Ben"}}, nil},
	} {
		card := alarms.Card{Alarm: &snapshot.Alarm{}, Incident: &c.incident, V: &page.View{S: &snapshot.Snapshot{Time: at}, Loc: time.UTC}}
		if diff := cmp.Diff(c.want, card.Calling()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}
