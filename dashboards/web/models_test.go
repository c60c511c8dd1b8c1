package web

import (
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/dashboards/dashtest"
)

func TestHeadingNamesThePlace(t *testing.T) {
	s := dashtest.Sample()
	v := &view{S: s, Loc: time.UTC}
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
		if got := alarmOf(v, &daemon.AlarmView{Key: tt.key, Title: tt.title}).Heading(); got != tt.want {
			t.Errorf("heading %q, want %q", got, tt.want)
		}
	}
}

// TestEveryStateHasItsList walks the states of ISA-18.2 as package alerts
// names them: who waits for somebody, who is silenced, who is neither.
func TestEveryStateHasItsList(t *testing.T) {
	for state, want := range map[alerts.State]string{
		alerts.Unacknowledged: "open", alerts.Returned: "open", alerts.LatchedUnacknowledged: "open",
		alerts.Acknowledged: "rest", alerts.LatchedAcknowledged: "rest",
		alerts.Shelved: "silenced", alerts.Suppressed: "silenced", alerts.OutOfService: "silenced",
	} {
		// A name left over from an earlier occurrence must not hide a new one.
		s := &daemon.Snapshot{Alarms: []daemon.AlarmView{{State: state.String(), AcknowledgedBy: "Ines", AcknowledgedAt: dashtest.Now()}}}
		lists := alarmsOf(&view{S: s, Loc: time.UTC}, 0)
		got := map[bool]string{len(lists.Open) == 1: "open", len(lists.Rest) == 1: "rest", len(lists.Silenced) == 1: "silenced"}[true]
		if got != want || lists.Total != 1 {
			t.Errorf("%s: list %q of %d, want %q", state, got, lists.Total, want)
		}
	}
}

func TestNumbersAndTimes(t *testing.T) {
	now := time.Date(2026, 5, 14, 9, 26, 40, 0, time.UTC)
	zone := time.FixedZone("", 2*3600)
	for got, want := range map[string]string{
		number(-0.04, "°C"): "0.0", number(-3.25, "°C"): "−3.2", number(48.6, "%"): "49", number(0.875, "kPa"): "0.88",
		age(now, now.Add(-9*time.Second)): "just now", age(now, now.Add(-59*time.Second)): "50 s ago", age(now, time.Time{}): "never",
		age(now, now.Add(time.Minute)): "in the future", age(now, now.Add(-100*time.Minute)): "1 h 40 min ago",
		clock(now, time.Date(2026, 5, 14, 21, 59, 0, 0, time.UTC), zone): "23:59",
		clock(now, time.Date(2026, 5, 14, 22, 1, 0, 0, time.UTC), zone):  "tomorrow 00:01",
		clock(now, time.Date(2027, 1, 2, 10, 0, 0, 0, time.UTC), zone):   "2 Jan 2027 12:00",
		grouped(1204512): "1\u202f204\u202f512", grouped(999): "999", percent(0.004): "<1 %", percent(0): "0 %",
		localPath("//x", "/"): "/", localPath(`/\\x`, "/"): "/", localPath("/alarms", "/"): "/alarms", localPath("http://x", "/"): "/",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// TestGapsStayGaps: silence must not be drawn as steady air.
func TestGapsStayGaps(t *testing.T) {
	at := func(minute int, v float64) daemon.RecentPoint {
		return daemon.RecentPoint{Time: dashtest.Now().Add(time.Duration(minute) * time.Minute), Temperature: &v}
	}
	points := []daemon.RecentPoint{at(0, 20), at(10, 21), at(20, 22), at(120, 23), at(130, 22), {Time: at(140, 0).Time}, at(150, 21)}
	var lengths []int
	for _, r := range runs(points, temperatureOf) {
		lengths = append(lengths, len(r))
	}
	if len(lengths) != 3 || lengths[0] != 3 || lengths[1] != 2 || lengths[2] != 1 {
		t.Errorf("runs of %v points, want 3, 2 and 1", lengths)
	}
	if c := draw(nil, temperatureOf, "Temperature", "°C", 4, nil, dashtest.Now(), time.UTC); !c.Empty {
		t.Error("a chart of nothing is not empty")
	}
}
