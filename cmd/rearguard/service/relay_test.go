package service

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/relay"
	"rearguard/daemon/snapshot"
)

func TestOnlyWhatCallsIsStanding(t *testing.T) {
	raised := time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)
	s := &snapshot.Snapshot{Site: snapshot.Site{Facility: "Moth House"}, Rooms: []snapshot.Room{{ID: "nursery", Name: "Nursery"}}}
	for _, state := range []alerts.State{alerts.Unacknowledged, alerts.Acknowledged, alerts.Returned, alerts.Suppressed, alerts.Shelved, alerts.OutOfService} {
		s.Alarms = append(s.Alarms, snapshot.Alarm{
			Key: alerts.Key{Condition: "heat", Room: "nursery", Subject: state.String()}, State: state, Active: state != alerts.Returned,
			Priority: alerts.High, Title: "too hot", Detail: "shelf 2", Want: "sensor a is silent", RaisedAt: raised,
		})
	}
	s.Alarms = append(s.Alarms, snapshot.Alarm{Key: alerts.Key{Condition: "broker_lost"}, State: alerts.Unacknowledged, Active: true})
	want := []relay.Standing{
		{Facility: "Moth House", Key: alerts.Key{Condition: "heat", Room: "nursery", Subject: "unacknowledged"}, Priority: alerts.High, Title: "too hot", RoomName: "Nursery",
			Detail: "shelf 2; not known now: sensor a is silent", RaisedAt: raised, Link: "https://rearguard.example.org/alarms"},
		{Facility: "Moth House", Key: alerts.Key{Condition: "heat", Room: "nursery", Subject: "acknowledged"}, Priority: alerts.High, Title: "too hot", RoomName: "Nursery",
			Detail: "shelf 2; not known now: sensor a is silent", RaisedAt: raised, Link: "https://rearguard.example.org/alarms"},
		{Facility: "Moth House", Key: alerts.Key{Condition: "broker_lost"}, Link: "https://rearguard.example.org/alarms"},
	}
	if diff := cmp.Diff(want, standing(s, "https://rearguard.example.org")); diff != "" {
		t.Errorf("standing (-want +got):\n%s", diff)
	}
	if list := standing(s, ""); list[0].Link != "" {
		t.Errorf("link %q to pages that nobody can reach", list[0].Link)
	}
}

// An Alertmanager that cannot be told is told where notices are that do not get
// out.
func TestRelayTroubleIsThatOfNotices(t *testing.T) {
	at := time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)
	troubles := []relay.Trouble{{Name: "house", Since: at, Problem: "p"}, {Name: "site", Since: at.Add(-time.Hour), Problem: "q"}}
	mail := snapshot.DeliveryTrouble{Waiting: 2, Oldest: at.Add(-time.Minute), Problem: "mail: refused"}
	tests := map[string]struct {
		of   snapshot.DeliveryTrouble
		and  []relay.Trouble
		want snapshot.DeliveryTrouble
	}{
		"none":          {mail, nil, mail},
		"alone":         {snapshot.DeliveryTrouble{}, troubles[:1], snapshot.DeliveryTrouble{Waiting: 1, Oldest: at, Problem: "house: p"}},
		"the oldest":    {mail, troubles, snapshot.DeliveryTrouble{Waiting: 4, Oldest: at.Add(-time.Hour), Problem: "site: q"}},
		"not the first": {mail, troubles[:1], snapshot.DeliveryTrouble{Waiting: 3, Oldest: mail.Oldest, Problem: mail.Problem}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, withTroubles(tt.of, tt.and)); diff != "" {
				t.Errorf("trouble (-want +got):\n%s", diff)
			}
		})
	}
}
