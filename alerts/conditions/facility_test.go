package conditions_test

import (
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
)

func TestFacility(t *testing.T) {
	offset := func(d time.Duration) *time.Duration { return &d }
	for _, c := range []struct {
		name      string
		in        conditions.FacilityState
		condition alerts.Condition
		want      alerts.Truth
		detail    string
	}{
		{"broker not known", conditions.FacilityState{}, conditions.BrokerLost, alerts.Unknown, ""},
		{"broker up", conditions.FacilityState{Broker: conditions.PartState{Known: true, Working: true}}, conditions.BrokerLost, alerts.False, ""},
		{
			"broker down",
			conditions.FacilityState{Broker: conditions.PartState{Known: true, Since: night.Add(-time.Hour), Name: "tcp://10.0.0.2:1883", Problem: "connection refused"}},
			conditions.BrokerLost, alerts.True, "tcp://10.0.0.2:1883, since 01:00: connection refused",
		},
		{"no certificate", conditions.FacilityState{}, conditions.CertificateEnding, alerts.Unknown, ""},
		{"certificate good for long", certificate(22 * 24 * time.Hour), conditions.CertificateEnding, alerts.False, ""},
		{"certificate about to end", certificate(20 * 24 * time.Hour), conditions.CertificateEnding, alerts.True, "tls://10.0.0.2:8883, until 21 March 2026 02:00"},
		{"certificate ended", certificate(-time.Hour), conditions.CertificateEnding, alerts.True, "tls://10.0.0.2:8883, until 1 March 2026 01:00"},
		{"store fails", conditions.FacilityState{Store: conditions.PartState{Known: true, Name: "rearguard.db", Problem: "disk full"}}, conditions.StoreFailing, alerts.True, "rearguard.db: disk full"},
		{"all delivered", conditions.FacilityState{}, conditions.NoticeUndeliverable, alerts.False, ""},
		{"drilled", conditions.FacilityState{}, conditions.DrillLacking, alerts.False, ""},
		{"without a drill", conditions.FacilityState{DrillProblem: "no drill has been made yet: start one"}, conditions.DrillLacking, alerts.True, "no drill has been made yet: start one"},
		{"being tried", conditions.FacilityState{Undelivered: 1, OldestUndelivered: night.Add(-9 * time.Minute)}, conditions.NoticeUndeliverable, alerts.Between, ""},
		{
			"not getting out",
			conditions.FacilityState{Undelivered: 3, OldestUndelivered: night.Add(-10 * time.Minute), DeliveryProblem: "mail server refused the password"},
			conditions.NoticeUndeliverable, alerts.True, "3 waiting, oldest since 01:50: mail server refused the password",
		},
		{"nothing to compare the clock with", conditions.FacilityState{}, conditions.ClockWrong, alerts.Unknown, ""},
		{"clock believed again", conditions.FacilityState{ClockBelieved: true}, conditions.ClockWrong, alerts.False, ""},
		{"clock right", conditions.FacilityState{ClockOffset: offset(time.Second)}, conditions.ClockWrong, alerts.False, "this machine is 0 min ahead"},
		{
			"clock doubted", conditions.FacilityState{ClockDoubt: "it says 1 Jan 1970", ClockDoubtSince: night.Add(-time.Hour), ClockOffset: offset(0)},
			conditions.ClockWrong, alerts.True, "the clock of this machine is not believed since 01:00: it says 1 Jan 1970",
		},
		{"clock never moved", conditions.FacilityState{}, conditions.ClockMoved, alerts.False, ""},
		{"clock moved a little", conditions.FacilityState{ClockStep: conditions.ClockStep{At: night.Add(-time.Minute), By: 10 * time.Minute}}, conditions.ClockMoved, alerts.False, ""},
		{
			"clock moved far", conditions.FacilityState{ClockStep: conditions.ClockStep{At: night.Add(-29 * time.Minute), By: -2 * time.Hour, Why: "sensors agree"}},
			conditions.ClockMoved, alerts.True, "moved back by 120 min to 01:31: sensors agree",
		},
		{"clock moved long ago", conditions.FacilityState{ClockStep: conditions.ClockStep{At: night.Add(-30 * time.Minute), By: -2 * time.Hour}}, conditions.ClockMoved, alerts.False, ""},
		{"clock behind", conditions.FacilityState{ClockOffset: offset(-4 * time.Hour)}, conditions.ClockWrong, alerts.True, "this machine is 4.0 h behind"},
		{"one room cannot tell", conditions.FacilityState{Rooms: rooms(1, 0)}, conditions.MainsLost, alerts.Unknown, ""},
		{"rooms in order", conditions.FacilityState{Rooms: rooms(0, 4)}, conditions.MainsLost, alerts.False, ""},
		{"one of five", conditions.FacilityState{Rooms: rooms(1, 4)}, conditions.MainsLost, alerts.False, ""},
		{"two of five", conditions.FacilityState{Rooms: rooms(2, 3)}, conditions.MainsLost, alerts.Between, ""},
		{"three of five", conditions.FacilityState{Rooms: rooms(3, 2)}, conditions.MainsLost, alerts.True, "since 00:00: A, B, C"},
		{"one after the other over the night", conditions.FacilityState{Rooms: apart(rooms(3, 2))}, conditions.MainsLost, alerts.Between, ""},
		{"all blind for want of the broker", conditions.FacilityState{Rooms: rooms(3, 0), Broker: conditions.PartState{Known: true}}, conditions.MainsLost, alerts.Unknown, "without the broker nothing is heard of the rooms"},
		{"one failing and two not heard yet", conditions.FacilityState{Rooms: unseen(rooms(1, 4))}, conditions.MainsLost, alerts.Unknown, "waiting for the first reports out of the rooms"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.in.Now = night
			o := find(t, conditions.EvaluateFacility(c.in), c.condition)
			if o.Truth != c.want || o.Detail.String() != c.detail {
				t.Errorf("got %v %q, want %v %q", o.Truth, o.Detail.String(), c.want, c.detail)
			}
		})
	}
}

// certificate is a broker whose certificate is valid for a while yet.
func certificate(valid time.Duration) conditions.FacilityState {
	return conditions.FacilityState{
		Location: time.UTC, Broker: conditions.PartState{Name: "tls://10.0.0.2:8883"}, BrokerCertificateEnds: night.Add(valid),
	}
}

// rooms gives rooms of which some began to fail ten minutes apart.
func rooms(failing, sound int) []conditions.RoomSign {
	var list []conditions.RoomSign
	for i := range failing + sound {
		r := conditions.RoomSign{Name: string(rune('A' + i))}
		if i < failing {
			r.Failing, r.Since = true, night.Add(-2*time.Hour+time.Duration(i)*10*time.Minute)
		}
		list = append(list, r)
	}
	return list
}

// unseen says that of the last two rooms nothing has been heard yet.
func unseen(list []conditions.RoomSign) []conditions.RoomSign {
	for i := range list[len(list)-2:] {
		list[len(list)-1-i].Unseen = true
	}
	return list
}

func apart(list []conditions.RoomSign) []conditions.RoomSign {
	list[0].Since = list[0].Since.Add(-3 * time.Hour)
	return list
}

// The texts are read on a phone at night: short sentences that end, British
// spelling, and an action that begins with something to do.
func TestTexts(t *testing.T) {
	definitions := conditions.Definitions()
	if _, err := alerts.NewMachine(definitions, conditions.Folding()...); err != nil {
		t.Fatal(err)
	}
	for _, d := range definitions {
		for name, text := range map[string]string{"cause": d.Cause, "consequence": d.Consequence, "first action": d.FirstAction} {
			if len(text) > 170 {
				t.Errorf("%s: %s has %d bytes, more than 170", d.Condition, name, len(text))
			}
			if !strings.HasSuffix(text, ".") {
				t.Errorf("%s: %s does not end: %q", d.Condition, name, text)
			}
			for _, word := range []string{"ize", "olor", "apor "} {
				if strings.Contains(text, word) {
					t.Errorf("%s: %s is not British English: %q", d.Condition, name, word)
				}
			}
		}
		if len(d.Title) > 32 {
			t.Errorf("%s: title %q is longer than 32 bytes", d.Condition, d.Title)
		}
	}
}

// The priorities are derived; this pins what they come to, so that a change
// of a text or a time is seen as the change of priority it may be.
func TestPriorities(t *testing.T) {
	want := map[alerts.Condition]alerts.Priority{
		conditions.Heat: alerts.High, conditions.Chill: alerts.Medium, conditions.Drying: alerts.Medium,
		conditions.Damp: alerts.Low, conditions.SensorSilent: alerts.Low, conditions.SensorFault: alerts.Low, conditions.RoomBlind: alerts.Medium,
		conditions.BrokerLost: alerts.High, conditions.CertificateEnding: alerts.Low, conditions.StoreFailing: alerts.High, conditions.RecordsDoubted: alerts.High, conditions.RecordsDamaged: alerts.Medium,
		conditions.NoticeUndeliverable: alerts.High, conditions.DrillLacking: alerts.Low, conditions.SiteSilent: alerts.High, conditions.ClockWrong: alerts.Medium, conditions.ClockMoved: alerts.Low,
		conditions.HeatApproaching: alerts.Medium, conditions.ChillApproaching: alerts.Low,
		conditions.HeatInjury: alerts.Critical, conditions.DaySwing: alerts.Low, conditions.FastChange: alerts.Medium,
		conditions.Condensation: alerts.Low, conditions.MouldRisk: alerts.Medium,
		conditions.CohortOverdue: alerts.Low, conditions.CohortStalled: alerts.Low,
		conditions.CohortUnwatched: alerts.High, conditions.SpeciesLost: alerts.Low,
		conditions.HumidifierExhausted: alerts.Medium, conditions.HeaterStuckOn: alerts.High,
		conditions.HeatingWeak: alerts.Medium, conditions.DoorOpen: alerts.Medium, conditions.PowerLost: alerts.High, conditions.MainsLost: alerts.Critical,
	}
	for _, d := range conditions.Definitions() {
		if d.Priority() != want[d.Condition] {
			t.Errorf("%s: priority %v, want %v", d.Condition, d.Priority(), want[d.Condition])
		}
	}
}
