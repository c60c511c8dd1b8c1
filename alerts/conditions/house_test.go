package conditions

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
)

func TestCohortThatStandsStill(t *testing.T) {
	say := func(still, missed time.Duration) alerts.Observation {
		return CohortState{Cohort: "atlas-3", Stage: "pupa", Now: noon(), Still: Standstill{Since: ago(still), At: noon(), Missed: missed}}.stalled()
	}
	if o := say(24*time.Hour, 0); o.Truth != alerts.True || o.Value != 24 {
		t.Errorf("still for a day: %v (%g h)", o.Truth, o.Value)
	}
	if o := say(24*time.Hour, time.Second); o.Truth != alerts.Between || strings.Contains(o.Detail.String(), "not counted") {
		t.Errorf("still for a day, a second of it unseen: %v (%s)", o.Truth, o.Detail.String())
	}
	if o := say(26*time.Hour, time.Minute); !strings.HasSuffix(o.Detail.String(), ", 1 min without data not counted") {
		t.Errorf("says %q", o.Detail.String())
	}
	late := CohortState{Cohort: "atlas-3", Stage: "pupa", Event: "eclosion", Now: noon(), ExpectedMedian: ago(40 * time.Hour), ExpectedLate: ago(20 * time.Hour)}
	if o := late.overdue(); o.Limit != 20 || o.Value != 20 || o.Truth != alerts.False {
		t.Errorf("waits %g h, has waited %g: %v", o.Limit, o.Value, o.Truth)
	}
	late.ExpectedLate = ago(20*time.Hour + time.Second)
	if o := late.overdue(); o.Truth != alerts.True {
		t.Errorf("waits %g h, has waited %g: %v", o.Limit, o.Value, o.Truth)
	}
}

func TestResumeAtOnce(t *testing.T) {
	m := RoomMemory{Injuries: map[string]Injury{"atlas-3": {Share: 0.2, At: ago(time.Minute), TemperatureC: 40}}}
	if got := m.Resume(noon(), noon(), true).Injuries["atlas-3"]; got != m.Injuries["atlas-3"] {
		t.Errorf("an injury becomes %+v", got)
	}
}

func TestPartsOfTheFacilityAtTheirLimits(t *testing.T) {
	say := func(in FacilityState, find func(FacilityState) alerts.Observation) alerts.Observation {
		in.Now, in.Location = noon(), time.UTC
		return find(in)
	}
	delivery := func(n int, age time.Duration) alerts.Truth {
		return say(FacilityState{Undelivered: n, OldestUndelivered: ago(age)}, FacilityState.delivery).Truth
	}
	if a, b, c := delivery(0, time.Hour), delivery(1, 10*time.Minute-time.Second), delivery(1, 10*time.Minute); a != alerts.False || b != alerts.Between || c != alerts.True {
		t.Errorf("none undelivered: %v, one for nearly ten minutes: %v, for ten: %v", a, b, c)
	}
	days := func(n float64) alerts.Truth {
		return say(FacilityState{BrokerCertificateEnds: noon().Add(time.Duration(n * 24 * float64(time.Hour)))}, FacilityState.certificate).Truth
	}
	if a, b := days(21), days(20.99); a != alerts.False || b != alerts.True {
		t.Errorf("a certificate that ends in 21 days: %v, a little earlier: %v", a, b)
	}
	none := time.Duration(0)
	if o := say(FacilityState{ClockOffset: &none}, FacilityState.clockObservation); o.Detail.String() != "this machine is 0 min ahead" {
		t.Errorf("a clock that is right: %q", o.Detail.String())
	}
	step := func(by, age time.Duration) alerts.Observation {
		return say(FacilityState{ClockStep: ClockStep{At: ago(age), By: by, Why: "a test"}}, FacilityState.clockStep)
	}
	for _, c := range []struct {
		by, age time.Duration
		want    alerts.Truth
		way     string
	}{
		{10 * time.Minute, time.Minute, alerts.False, ""}, {10*time.Minute + time.Second, time.Minute, alerts.True, "moved forward by 10 min"},
		{-11 * time.Minute, time.Minute, alerts.True, "moved back by 11 min"},
		{time.Hour, 30*time.Minute - time.Second, alerts.True, "moved forward by 60 min"}, {time.Hour, 30 * time.Minute, alerts.False, ""},
	} {
		if o := step(c.by, c.age); o.Truth != c.want || !strings.HasPrefix(o.Detail.String(), c.way) {
			t.Errorf("moved by %s %s ago: %v (%s), want %v", c.by, c.age, o.Truth, o.Detail.String(), c.want)
		}
	}
}

func TestRoomsThatFailTogether(t *testing.T) {
	failing := func(ages ...time.Duration) (list []RoomSign) {
		for i, age := range ages {
			list = append(list, RoomSign{Name: fmt.Sprintf("room %d", i), Failing: true, Since: ago(age)})
		}
		return list
	}
	sound := func(n int) []RoomSign { return make([]RoomSign, n) }
	unseen := func(n int) []RoomSign {
		list := make([]RoomSign, n)
		for i := range list {
			list[i].Unseen = true
		}
		return list
	}
	const m = time.Minute
	for _, c := range []struct {
		name  string
		rooms [][]RoomSign
		want  alerts.Truth
	}{
		{"the only one", [][]RoomSign{failing(m)}, alerts.Unknown},
		{"both of two", [][]RoomSign{failing(m, 46*m)}, alerts.True},
		{"both, not together", [][]RoomSign{failing(m, 47*m)}, alerts.Between},
		{"one of two", [][]RoomSign{failing(m), sound(1)}, alerts.False},
		{"two of three", [][]RoomSign{failing(m, m), sound(1)}, alerts.True},
		{"two of four", [][]RoomSign{failing(m, m), sound(2)}, alerts.True},
		{"two of five", [][]RoomSign{failing(m, m), sound(3)}, alerts.Between},
		{"one of four", [][]RoomSign{failing(m), sound(3)}, alerts.False},
		{"one of four, and one unseen", [][]RoomSign{failing(m), unseen(1), sound(2)}, alerts.Unknown},
		{"none of four, and one unseen", [][]RoomSign{unseen(1), sound(3)}, alerts.False},
		{"none of four, and two unseen", [][]RoomSign{unseen(2), sound(2)}, alerts.Unknown},
		{"two of eight", [][]RoomSign{failing(m, m), sound(6)}, alerts.False},
		{"three of eight", [][]RoomSign{failing(m, m, m), sound(5)}, alerts.Between},
	} {
		in := FacilityState{Now: noon()}
		for _, list := range c.rooms {
			in.Rooms = append(in.Rooms, list...)
		}
		if o := in.mains(); o.Truth != c.want {
			t.Errorf("%s: %v (%g of %g), want %v", c.name, o.Truth, o.Value, o.Limit, c.want)
		}
	}
	cold := RoomMemory{Trouble: Trouble{Range: trend.Range{LowC: 24}}, Trend: trend.Trend{Temperature: trend.Slope{Known: true, PerHour: -1, Low: -2}}}
	cold.Trend.Temperature.High = -0.1
	if cold.cooling() {
		t.Error("a room without air cools")
	}
	cold.Trend.Temperature.High = 0
	cold.Trend.Samples = []trend.Sample{{C: 20}}
	if cold.cooling() {
		t.Error("a room that may be steady cools")
	}
	if cold.Trend.Temperature.High = -0.1; !cold.cooling() {
		t.Error("a room that cools does not")
	}
}

func TestStandstillIsFollowed(t *testing.T) {
	at := func(m int) time.Time { return noon().Add(time.Duration(m) * time.Minute) }
	x := Standstill{}.Follow(at(0), alerts.Unknown)
	if !x.Since.IsZero() || !x.Unseen {
		t.Errorf("it stands still though nothing is seen: %+v", x)
	}
	x = x.Follow(at(10), alerts.True)
	want := Standstill{Since: at(10), At: at(10)}
	if x != want {
		t.Errorf("it begins as %+v, want %+v", x, want)
	}
	for _, step := range []struct {
		minute int
		truth  alerts.Truth
		missed time.Duration
	}{{20, alerts.True, 0}, {30, alerts.Unknown, 10 * time.Minute}, {40, alerts.Unknown, 20 * time.Minute}, {50, alerts.True, 30 * time.Minute}, {60, alerts.True, 30 * time.Minute}} {
		if x = x.Follow(at(step.minute), step.truth); x.Missed != step.missed || !x.Since.Equal(at(10)) || !x.At.Equal(at(step.minute)) {
			t.Errorf("at minute %d: %+v, want %s missed", step.minute, x, step.missed)
		}
	}
	if back := x.Resume(at(60), at(30), true); !back.Since.Equal(at(-20)) || !back.At.Equal(at(30)) || !back.Unseen {
		t.Errorf("half an hour back it becomes %+v", back)
	}
	if on := x.Resume(at(60), at(90), true); !on.Since.Equal(at(10)) || !on.At.Equal(at(60)) || !on.Unseen {
		t.Errorf("half an hour on it becomes %+v", on)
	}
	if moved := x.Resume(at(60), at(90), false); !moved.Since.Equal(at(40)) || moved.Unseen {
		t.Errorf("moved by half an hour it becomes %+v", moved)
	}
	if x = x.Follow(at(70), alerts.False); x != (Standstill{}) {
		t.Errorf("it goes on as %+v", x)
	}
	late := CohortState{Now: noon(), ExpectedMedian: ago(14 * time.Hour), ExpectedLate: ago(13 * time.Hour)}
	if o := late.overdue(); o.Limit != 12 {
		t.Errorf("waits %g h at least, want 12", o.Limit)
	}
}

func TestFoldingOutlastsItsRoot(t *testing.T) {
	graces := map[time.Duration]int{}
	for _, rule := range Folding() {
		graces[rule.Grace]++
	}
	if graces[20*time.Minute] == 0 || graces[10*time.Minute] == 0 {
		t.Errorf("graces are %v, want some of 10 and of 20 minutes", graces)
	}
}

// What a room shows of its power.
func TestSignOfARoom(t *testing.T) {
	usual := trend.Range{LowC: 24}
	cooling := trend.Trend{Samples: []trend.Sample{{C: 20}}, Temperature: trend.Slope{Known: true, PerHour: -2, Low: -3, High: -1}}
	heard := []SensorState{{ID: "a", LastReading: ago(time.Hour)}}
	for _, c := range []struct {
		name string
		in   RoomState
		x    Trouble
		want RoomSign
	}{
		{"nothing", RoomState{Room: "nursery"}, Trouble{}, RoomSign{Name: "nursery"}},
		{"with a name", RoomState{Room: "nursery", Name: "The nursery"}, Trouble{}, RoomSign{Name: "The nursery"}},
		{"blind", RoomState{Blind: true, BlindSince: ago(time.Minute), Sensors: heard}, Trouble{}, RoomSign{Failing: true, Since: ago(time.Minute)}},
		{"blind and never heard", RoomState{Blind: true, Sensors: []SensorState{{ID: "a"}}}, Trouble{}, RoomSign{}},
		{"blind and listening", RoomState{Blind: true, Listening: true, Sensors: heard}, Trouble{}, RoomSign{Unseen: true}},
		{"listening and seeing", RoomState{Listening: true, Sensors: heard}, Trouble{}, RoomSign{}},
		{"power is gone", RoomState{}, Trouble{Cause: CausePower, Since: ago(time.Hour), Range: usual}, RoomSign{Failing: true, Since: ago(time.Hour)}},
		{"unclear", RoomState{}, Trouble{Cause: Unclear, Since: ago(time.Hour), Range: usual}, RoomSign{Failing: true, Since: ago(time.Hour)}},
		{"weak", RoomState{}, Trouble{Cause: CauseWeak, Since: ago(time.Hour), Range: usual}, RoomSign{Failing: true, Since: ago(time.Hour)}},
		{"weak, and its humidifier runs", RoomState{}, Trouble{Cause: CauseWeak, Since: ago(time.Hour), Range: usual, Powered: true}, RoomSign{}},
		{"a door is open", RoomState{}, Trouble{Cause: CauseDoor, Since: ago(time.Hour), Range: usual}, RoomSign{}},
	} {
		if got := SignOf(&c.in, &RoomMemory{Trouble: c.x, Trend: cooling}); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}
