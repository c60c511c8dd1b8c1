package incidents_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
)

var (
	heat  = alerts.Key{Condition: "heat", Room: "nursery"}
	began = time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC)
)

// hot is an incident that began as a room came to its limit.
func hot(unit string) *incidents.Book {
	b := incidents.NewBook(map[alerts.Condition]incidents.Role{"heat": {Theme: "air"}}, 20*time.Minute)
	a := alerts.Alarm{Key: heat, Occurrence: 1, Active: true}
	a.RaisedAt, a.ObservedAt, a.Value, a.Limit, a.Unit, a.Annunciations = began, began, 32, 32, unit, 1
	b.Take(alerts.Transition{Key: heat, Occurrence: 1, Time: began, Event: alerts.EventRaise, Annunciate: true, Alarm: a}, alerts.High)
	return b
}

func found(after time.Duration, truth alerts.Truth, value float64, unit string) alerts.Observation {
	return alerts.Observation{Key: heat, Time: began.Add(after), Truth: truth, Value: value, Limit: 32, Unit: unit}
}

func doseOf(b *incidents.Book) float64 { return b.Open()[0].Members[0].Dose }

// Two hours up to 4 °C beyond the limit and two down again are a triangle of
// 8 °C·h, by the area of a triangle.
func TestDoseIsTheAreaBeyondTheLimit(t *testing.T) {
	for _, step := range []time.Duration{time.Minute, 7 * time.Minute, 15 * time.Minute} {
		b := hot("°C")
		for after := step; after <= 4*time.Hour; after += step {
			beyond := 2 * min(after.Hours(), 4-after.Hours())
			b.Note(found(after, alerts.True, 32+beyond, "°C"))
		}
		if got := doseOf(b); math.Abs(got-8) > 0.1 {
			t.Errorf("every %v: %.3f °C·h, want 8", step, got)
		}
	}
}

func TestDoseLeavesOutWhatIsNotKnown(t *testing.T) {
	const long = time.Hour
	tests := map[string]struct {
		unit string
		note func(b *incidents.Book)
		want float64
	}{
		"an hour at 2 °C beyond": {"°C", func(*incidents.Book) {}, 0},
		"blind for an hour":      {"°C", func(b *incidents.Book) { b.Note(found(long/2, alerts.Unknown, 0, "")) }, 0},
		"back within between": {"°C", func(b *incidents.Book) {
			b.Note(found(5*time.Minute, alerts.True, 34, "°C"))
			b.Note(found(10*time.Minute, alerts.Between, 31.9, "°C"))
			b.Note(found(15*time.Minute, alerts.True, 34, "°C"))
		}, 2 * 5 / 60.0 / 2},
		"the clock was set an hour ahead": {"°C", func(b *incidents.Book) {
			b.Note(found(6*time.Minute, alerts.True, 32, "°C"))
			b.Move(long)
			b.Note(found(long+12*time.Minute, alerts.True, 34, "°C"))
		}, 2 * 6 / 60.0 / 2},
		"minutes are no dose": {"min", func(b *incidents.Book) { b.Note(found(10*time.Minute, alerts.True, 42, "min")) }, 0},
		"after a restart": {"°C", func(b *incidents.Book) {
			b.Note(found(6*time.Minute, alerts.True, 36, "°C"))
			b.Note(found(12*time.Minute, alerts.True, 36, "°C"))
		}, 4 * (6 + 3) / 60.0},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			b := hot(test.unit)
			test.note(b)
			// What is known goes through the records.
			body, err := json.Marshal(b.State())
			if err != nil {
				t.Fatal(err)
			}
			var st incidents.State
			if err := json.Unmarshal(body, &st); err != nil {
				t.Fatal(err)
			}
			b = incidents.NewBook(nil, 20*time.Minute)
			b.Restore(st)
			b.Note(found(2*long, alerts.True, 34, test.unit))
			if got := doseOf(b); math.Abs(got-test.want) > 1e-9 {
				t.Errorf("%.6f, want %.6f", got, test.want)
			}
		})
	}
}

// What accompanies an alarm without a value says nothing of how far it went.
func TestMeasuredIsNotWhatOnlyAccompanies(t *testing.T) {
	peak := incidents.Peak{At: began, Value: 22, Limit: 8, Unit: "°C/h"}
	cause, herald, harm := incidents.Member{Occurrence: 1, Priority: alerts.High}, incidents.Member{Occurrence: 2, Priority: alerts.Medium, Herald: true, Peak: peak}, incidents.Member{Occurrence: 3, Priority: alerts.Low, Peak: peak}
	for want, members := range map[int64][]incidents.Member{0: {cause, herald}, 3: {cause, herald, harm}, 2: {herald}} {
		got := int64(0)
		if m := (&incidents.Incident{Members: members}).Measured(); m != nil {
			got = m.Occurrence
		}
		if got != want {
			t.Errorf("of %d alarms the measured one is %d, want %d", len(members), got, want)
		}
	}
}
