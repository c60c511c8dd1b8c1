package performance_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rearguard/alerts"
	"rearguard/alerts/performance"
)

var midnight = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func at(hours, minutes float64) time.Time {
	return midnight.Add(time.Duration((hours*60 + minutes) * float64(time.Minute)))
}

func key(name string) alerts.Key { return alerts.Key{Condition: alerts.Condition(name), Room: "a"} }

func entry(t time.Time, k string, occurrence int64, event alerts.Event, call bool) performance.Entry {
	return performance.Entry{
		Transition: alerts.Transition{Time: t, Key: key(k), Occurrence: occurrence, Event: event, Annunciate: call},
		Priority:   alerts.Low,
	}
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-12 {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// Two days worked out by hand.
func TestTwoDays(t *testing.T) {
	high := entry(at(1, 0), "heat", 1, alerts.EventRaise, true)
	high.Priority = alerts.High
	entries := []performance.Entry{
		// Before the period: raised, not counted, but active at its start.
		entry(at(-30, 0), "damp", 9, alerts.EventRaise, true),
		high, // 01:00
		entry(at(1, 10), "heat", 1, alerts.EventAcknowledge, false),
		entry(at(2, 0), "heat", 1, alerts.EventReturn, false),
		entry(at(3, 0), "silent", 2, alerts.EventRaise, true),
		entry(at(3, 0.5), "silent", 2, alerts.EventReturn, false), // half a minute: fleeting
		entry(at(9, 0), "silent", 2, alerts.EventAcknowledge, false),
		entry(at(12, 0), "dry", 3, alerts.EventRaise, false), // under a root
		entry(at(23, 30), "chill", 4, alerts.EventRaise, true),
		entry(at(26, 0), "chill", 4, alerts.EventShelve, false),
		entry(at(40, 0), "heat", 5, alerts.EventRaise, true),
		entry(at(42, 0), "x", 0, alerts.EventOutOfService, false),
		// After the period.
		entry(at(50, 0), "heat", 6, alerts.EventRaise, true),
	}
	got := performance.Measure(entries, performance.Period{
		From: midnight, To: at(48, 0), NightFrom: 22, NightTo: 6, Actions: map[int64]bool{1: true},
	})
	want := performance.Report{
		Calls: 4, CallsPerDay: 2,
		CallsByDay: []performance.DayCount{{Day: "2026-03-01", Calls: 3}, {Day: "2026-03-02", Calls: 1}},
		// 01:00 and 03:00 belong to the night that began the day before.
		CallsByNight:   []performance.DayCount{{Day: "2026-02-28", Calls: 2}, {Day: "2026-03-01", Calls: 1}},
		PeakTenMinutes: 1, MeanTenMinutes: 4.0 / 288,
		Top:      []performance.KeyCount{{Key: key("heat"), Count: 2}, {Key: key("chill"), Count: 1}, {Key: key("silent"), Count: 1}},
		TopShare: 1,
		Fleeting: []performance.KeyCount{{Key: key("silent"), Count: 1}},
		// damp from 30 h before to the end, dry from 12:00, chill from 23:30.
		Stale: []performance.Standing{
			{Key: key("damp"), Since: at(-30, 0), Active: 78 * time.Hour},
			{Key: key("dry"), Since: at(12, 0), Active: 36 * time.Hour},
			{Key: key("chill"), Since: at(23, 30), Active: 24*time.Hour + 30*time.Minute},
		},
		Priorities: map[string]float64{"high": 0.25, "low": 0.75},
		// 10 min, 150 min (by shelving) and 6 h.
		Acknowledgement: performance.Spread{Count: 3, Median: 150 * time.Minute, P90: 6 * time.Hour, Longest: 6 * time.Hour},
		Unacknowledged:  2, // damp and the second heat
		WithoutAction:   3, // silent, chill, the second heat
		Shelvings:       1, OutOfService: 1,
	}
	if diff := cmp.Diff(want, got, cmpopts.EquateApprox(0, 1e-12)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// 12 calls in the first ten minutes, 6 in the second, 4 in the third, 11 in
// the fifth: in flood for the first, the second and the fifth.
func TestFlood(t *testing.T) {
	var entries []performance.Entry
	for ten, calls := range []int{12, 6, 4, 0, 11, 0} {
		for i := range calls {
			// All fall into the last minute of their ten.
			when := midnight.Add(time.Duration(ten)*10*time.Minute + 9*time.Minute + time.Duration(i)*time.Second)
			n := int64(len(entries) + 1)
			entries = append(entries, entry(when, fmt.Sprint("k", n%12), n, alerts.EventRaise, true))
		}
	}
	r := performance.Measure(entries, performance.Period{From: midnight, To: midnight.Add(time.Hour)})
	if r.FloodTime != 30*time.Minute {
		t.Errorf("time in flood %v, want 30 min", r.FloodTime)
	}
	near(t, "share in flood", r.FloodShare, 0.5)
	near(t, "share of busy tens", r.BusyTenMinutesShare, 2.0/6)
	near(t, "mean of tens", r.MeanTenMinutes, 33.0/6)
	// However the ten minutes are laid over the first two bursts, what they win
	// of the second they lose of the first.
	if r.PeakTenMinutes != 12 {
		t.Errorf("peak %d, want 12", r.PeakTenMinutes)
	}
	// 33 calls over 12 alarms: 9 alarms with 3 calls and 3 with 2; the ten
	// most frequent have 9*3+2.
	near(t, "share of the top ten", r.TopShare, 29.0/33)
}

// A peak is found wherever it begins, not only on whole tens of minutes.
func TestPeakOverTheEdge(t *testing.T) {
	var entries []performance.Entry
	for i := range 8 {
		entries = append(entries, entry(at(0, 6+float64(i)), "k", int64(i+1), alerts.EventRaise, true))
	}
	if r := performance.Measure(entries, performance.Period{From: midnight, To: at(1, 0)}); r.PeakTenMinutes != 8 {
		t.Errorf("peak %d, want 8", r.PeakTenMinutes)
	}
}

func TestChattering(t *testing.T) {
	var entries []performance.Entry
	for _, second := range []int{0, 30, 60, 120, 181} {
		when := midnight.Add(time.Duration(second) * time.Second)
		entries = append(entries,
			entry(when, "k", 1, alerts.EventRecur, true), entry(when.Add(time.Second), "k", 1, alerts.EventReturn, false))
	}
	r := performance.Measure(entries, performance.Period{From: midnight, To: at(1, 0)})
	// 0, 30, 60 are three within a minute; 30, 60, 120 are not.
	if diff := cmp.Diff([]performance.KeyCount{{Key: key("k"), Count: 1}}, r.Chattering); diff != "" {
		t.Errorf("chattering (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]performance.KeyCount{{Key: key("k"), Count: 5}}, r.Fleeting); diff != "" {
		t.Errorf("fleeting (-want +got):\n%s", diff)
	}
}

// A second call of an occurrence after its acknowledgement is waited for
// anew; a second call before it is not.
func TestAcknowledgementOfRepeatedCalls(t *testing.T) {
	entries := []performance.Entry{
		entry(at(0, 0), "k", 1, alerts.EventRaise, true),
		entry(at(0, 20), "k", 1, alerts.EventRecur, true),
		entry(at(0, 30), "k", 1, alerts.EventAcknowledge, false),
		entry(at(2, 0), "k", 1, alerts.EventReAlarm, true),
		entry(at(2, 5), "k", 1, alerts.EventAcknowledge, false),
	}
	r := performance.Measure(entries, performance.Period{From: midnight, To: at(3, 0)})
	want := performance.Spread{Count: 2, Median: 5 * time.Minute, P90: 30 * time.Minute, Longest: 30 * time.Minute}
	if r.Acknowledgement != want || r.Unacknowledged != 0 || r.WithoutAction != -1 {
		t.Errorf("got %+v, %d open, %d without action; want %+v, 0, -1", r.Acknowledgement, r.Unacknowledged, r.WithoutAction, want)
	}
}

func TestNothingToMeasure(t *testing.T) {
	want := performance.Report{WithoutAction: -1}
	if diff := cmp.Diff(want, performance.Measure(nil, performance.Period{From: midnight, To: midnight})); diff != "" {
		t.Errorf("no period (-want +got):\n%s", diff)
	}
	r := performance.Measure(nil, performance.Period{From: midnight, To: at(24, 0)})
	if r.Calls != 0 || r.TopShare != 0 || r.CallsPerDay != 0 {
		t.Errorf("no entries: %+v", r)
	}
}
