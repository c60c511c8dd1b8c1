package conditions_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/wording"
)

var night = time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)

func point(value float64) *conditions.Point {
	return &conditions.Point{Value: value, Sensor: "nursery-n", Position: "shelf 2"}
}

// room is an occupied room in good order.
func room() conditions.RoomState {
	return conditions.RoomState{
		Room: "nursery", Name: "Nursery", Now: night,
		Warmest: point(27), Coldest: point(26), Driest: point(65), Dampest: point(70), HighestVPD: point(1.1),
		Limits: conditions.Limits{
			Heat:   &conditions.Limit{Value: 33, SetBy: "cohort atlas-3 in pupa", Assumed: true},
			Chill:  &conditions.Limit{Value: 18, SetBy: "room nursery"},
			Drying: &conditions.DoseLimit{Limit: conditions.Limit{Value: 1.5}, For: 30 * time.Minute},
			Damp:   &conditions.DoseLimit{Limit: conditions.Limit{Value: 90}, For: 4 * time.Hour},
		},
		Sensors: []conditions.SensorState{{
			ID: "nursery-n", Position: "shelf 2", LastReading: night.Add(-time.Minute), LastValue: conditions.Measured{Value: 27, Known: true}, Interval: time.Minute,
		}},
	}
}

func find(t *testing.T, list []alerts.Observation, c alerts.Condition) alerts.Observation {
	t.Helper()
	for _, o := range list {
		if o.Key.Condition == c {
			return o
		}
	}
	t.Fatalf("no observation of %q in %+v", c, list)
	return alerts.Observation{}
}

// judge judges a room by the definitions of the package.
func judge(in conditions.RoomState, memory conditions.RoomMemory) ([]alerts.Observation, conditions.RoomMemory) {
	return conditions.NewEvaluator(conditions.Definitions()).Room(&in, memory)
}

func evaluate(t *testing.T, in conditions.RoomState, c alerts.Condition) alerts.Observation {
	t.Helper()
	out, _ := judge(in, conditions.RoomMemory{})
	return find(t, out, c)
}

func TestLevels(t *testing.T) {
	for _, c := range []struct {
		name      string
		change    func(*conditions.RoomState)
		condition alerts.Condition
		want      alerts.Truth
	}{
		{"in good order", nil, conditions.Heat, alerts.False},
		{"warmer than the limit", func(r *conditions.RoomState) { r.Warmest = point(33.1) }, conditions.Heat, alerts.True},
		{"just back under the limit", func(r *conditions.RoomState) { r.Warmest = point(32.8) }, conditions.Heat, alerts.Between},
		{"colder than the limit", func(r *conditions.RoomState) { r.Coldest = point(17.9) }, conditions.Chill, alerts.True},
		{"just back above the limit", func(r *conditions.RoomState) { r.Coldest = point(18.2) }, conditions.Chill, alerts.Between},
		{"no temperature", func(r *conditions.RoomState) { r.Warmest = nil }, conditions.Heat, alerts.Unknown},
		{"blind with an old value", func(r *conditions.RoomState) { r.Warmest, r.Blind = point(40), true }, conditions.Heat, alerts.Unknown},
		{"empty room", func(r *conditions.RoomState) { r.Warmest, r.Limits = point(40), conditions.Limits{} }, conditions.Heat, alerts.False},
		{"empty and blind", func(r *conditions.RoomState) { r.Blind, r.Limits = true, conditions.Limits{} }, conditions.Chill, alerts.False},
		{"blind", func(r *conditions.RoomState) { r.Blind = true }, conditions.RoomBlind, alerts.True},
		{"seeing", nil, conditions.RoomBlind, alerts.False},
		{"no humidity", func(r *conditions.RoomState) { r.HighestVPD = nil }, conditions.Drying, alerts.Unknown},
		{"empty and dry", func(r *conditions.RoomState) { r.HighestVPD, r.Limits = point(4), conditions.Limits{} }, conditions.Drying, alerts.False},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := room()
			if c.change != nil {
				c.change(&in)
			}
			if got := evaluate(t, in, c.condition); got.Truth != c.want {
				t.Errorf("%s: got %v, want %v: %+v", c.condition, got.Truth, c.want, got)
			}
		})
	}
}

func TestWhatHeatSays(t *testing.T) {
	in := room()
	in.Warmest = point(34.2)
	want := alerts.Observation{
		Key: alerts.Key{Condition: conditions.Heat, Room: "nursery"}, Time: night, Truth: alerts.True,
		Value: 34.2, Limit: 33, Unit: "°C",
		Detail: wording.Say("%s", wording.Name("shelf 2 (nursery-n)")).
			And("; limit set by %s (assumed)", wording.Of(wording.Report("cohort atlas-3 in pupa"))),
	}
	if got, said := evaluate(t, in, conditions.Heat).Detail.String(), "shelf 2 (nursery-n); limit set by cohort atlas-3 in pupa (assumed)"; got != said {
		t.Errorf("says %q, want %q", got, said)
	}
	if diff := cmp.Diff(want, evaluate(t, in, conditions.Heat)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	in.Limits = conditions.Limits{}
	if got := evaluate(t, in, conditions.Heat).Detail.String(); got != "no cohort in the room" {
		t.Errorf("empty room says %q", got)
	}
}

// dryingAt runs one evaluation a minute over a curve of vapour pressure
// deficit, with the memory going through JSON each time, and returns what was
// found: T, F, B or U for each minute.
func dryingAt(t *testing.T, curve func(minute int) *conditions.Point, minutes int) string {
	t.Helper()
	var memory conditions.RoomMemory
	var got strings.Builder
	for minute := range minutes {
		in := room()
		in.Now = night.Add(time.Duration(minute) * time.Minute)
		in.HighestVPD = curve(minute)
		var out []alerts.Observation
		out, memory = judge(in, memory)
		got.WriteByte("UFTB"[find(t, out, conditions.Drying).Truth])
		text, err := json.Marshal(memory)
		if err != nil {
			t.Fatal(err)
		}
		memory = conditions.RoomMemory{}
		if err := json.Unmarshal(text, &memory); err != nil {
			t.Fatal(err)
		}
	}
	return got.String()
}

func TestDryingIsADose(t *testing.T) {
	repeat := strings.Repeat
	for _, c := range []struct {
		name  string
		curve func(int) *conditions.Point
		want  string
	}{
		{"half an hour above the limit", func(int) *conditions.Point { return point(2) }, repeat("B", 30) + repeat("T", 10)},
		{
			"a short dip does not forgive",
			func(m int) *conditions.Point {
				if m >= 20 && m < 25 {
					return point(1)
				}
				return point(2)
			},
			// 20 min up, 5 down, then 15 more are wanted.
			repeat("B", 20) + repeat("F", 5) + repeat("B", 15) + repeat("T", 3),
		},
		{
			"without data nothing is counted",
			func(m int) *conditions.Point {
				if m >= 10 && m < 20 {
					return nil
				}
				return point(2)
			},
			repeat("B", 10) + repeat("U", 10) + repeat("B", 21) + repeat("T", 3),
		},
		{
			"back within the limit",
			func(m int) *conditions.Point {
				if m >= 40 {
					return point(1.45)
				}
				return point(2)
			},
			repeat("B", 30) + repeat("T", 10) + repeat("B", 5),
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := dryingAt(t, c.curve, len(c.want)); got != c.want {
				t.Errorf("\ngot  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestDryingSaysSinceWhen(t *testing.T) {
	var memory conditions.RoomMemory
	in := room()
	in.HighestVPD = point(2.25)
	_, memory = judge(in, memory)
	in.Now = night.Add(95 * time.Minute)
	out, _ := judge(in, memory)
	o := find(t, out, conditions.Drying)
	if want := "shelf 2 (nursery-n), since 02:00 (95 min)"; o.Truth != alerts.True || o.Detail.String() != want {
		t.Errorf("got %v %q, want true %q", o.Truth, o.Detail.String(), want)
	}
}

func TestSilentSensors(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		sensor conditions.SensorState
		want   alerts.Truth
		detail string
	}{
		{
			"on time",
			conditions.SensorState{ID: "n", Interval: 10 * time.Minute, LastReading: night.Add(-29 * time.Minute)},
			alerts.False, "",
		},
		{
			"three intervals late",
			conditions.SensorState{ID: "n", Position: "shelf 2", Interval: 10 * time.Minute, LastReading: night.Add(-30 * time.Minute), LastValue: conditions.Measured{Value: 27.4, Known: true}},
			alerts.True, "shelf 2 (n), last heard 27.4 °C at 02:30",
		},
		{
			"a fast sensor has five minutes",
			conditions.SensorState{ID: "n", Interval: 5 * time.Second, LastReading: night.Add(-4 * time.Minute)},
			alerts.False, "",
		},
		{
			"never heard",
			conditions.SensorState{ID: "n", Interval: time.Minute, ExpectedSince: night.Add(-time.Hour)},
			alerts.True, "n, never heard",
		},
		{
			"listening has just begun",
			conditions.SensorState{ID: "n", Interval: time.Minute, LastReading: night.Add(-30 * time.Hour), ExpectedSince: night.Add(-time.Minute)},
			alerts.Unknown, "waiting for its first report",
		},
		{
			"habit not known",
			conditions.SensorState{ID: "n", LastReading: night.Add(-30 * time.Hour)},
			alerts.Unknown, "n, reporting interval not known yet",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := room()
			in.Location, in.Sensors = berlin, []conditions.SensorState{c.sensor}
			o := evaluate(t, in, conditions.SensorSilent)
			if o.Truth != c.want || (wording.Reader{Zone: berlin}).Say(o.Detail) != c.detail || o.Key.Subject != "n" {
				t.Errorf("got %v %q about %q, want %v %q", o.Truth, o.Detail.String(), o.Key.Subject, c.want, c.detail)
			}
		})
	}
}

func TestWhatABlindRoomSays(t *testing.T) {
	in := room()
	in.Blind, in.BlindSince = true, night.Add(-20*time.Minute)
	o := evaluate(t, in, conditions.RoomBlind)
	want := "no believable temperature since 01:40; last heard shelf 2 (nursery-n) 27.0 °C at 01:59"
	if o.Detail.String() != want || o.Value != 20 {
		t.Errorf("got %q after %v min, want %q after 20", o.Detail.String(), o.Value, want)
	}
}
