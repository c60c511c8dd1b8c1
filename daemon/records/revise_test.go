package records

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// The corrections must reach readings in the hot table, in chunks and in both,
// and leave all others and what was sent alone.
func TestReviseReachesHotAndRolledReadings(t *testing.T) {
	s := openTest(t, Options{})
	var want []sensors.Reading
	for d := range 3 {
		for h := range 4 {
			at := day0.AddDate(0, 0, d).Add(time.Duration(h) * 6 * time.Hour)
			raw := 20 + float64(d) + float64(h)/10
			want = append(want, reading("a", sensors.Temperature, at, at, raw, raw))
		}
	}
	other := reading("b", sensors.Temperature, day0.Add(time.Hour), day0.Add(time.Hour), 30, 30)
	commit(t, s, &Batch{Readings: append([]sensors.Reading{other}, want...)})
	if _, err := s.Roll(context.Background(), day0.AddDate(0, 0, 2)); err != nil {
		t.Fatal(err)
	}
	if countRows(t, s, "chunk") != 3 || countRows(t, s, "hot") != 4 {
		t.Fatal("the days are not partly rolled")
	}
	from := day0.AddDate(0, 0, 1)
	shift := func(at time.Time, raw float64) float64 {
		if at.Before(from) {
			t.Errorf("asked for the value at %v, before the correction", at)
		}
		return math.Round((raw+0.5)*1e4) / 1e4
	}
	fresh := reading("a", sensors.Temperature, day0.AddDate(0, 0, 3), day0.AddDate(0, 0, 3), 24, 24)
	unknown := sensors.Series{Sensor: "nobody", Quantity: sensors.Temperature}
	batch := &Batch{
		Readings: []sensors.Reading{fresh},
		Revalues: []Revalue{{Series: want[0].Series, From: from, Value: shift}, {Series: unknown, From: from, Value: shift}},
		Reflags: []Reflag{
			{want[5].Series, want[5].Time, sensors.Fail}, {want[9].Series, want[9].Time, sensors.Suspect},
			{want[0].Series, day0.Add(time.Minute), sensors.Fail}, {unknown, day0, sensors.Fail},
		},
	}
	commit(t, s, batch)
	commit(t, s, batch) // again changes nothing
	want = append(want, fresh)
	for i := range want {
		if !want[i].Time.Before(from) {
			want[i].Value = shift(want[i].Time, want[i].Raw)
		}
	}
	want[5].Flag, want[9].Flag = sensors.Fail, sensors.Suspect
	if d := cmp.Diff(want, scanAll(t, s.Reader, time.Time{}, day0.AddDate(1, 0, 0), want[0].Series)); d != "" {
		t.Errorf("revised (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]sensors.Reading{other}, scanAll(t, s.Reader, time.Time{}, day0.AddDate(1, 0, 0), other.Series)); d != "" {
		t.Errorf("another series changed (-want +got):\n%s", d)
	}
}

// A batch that fails leaves no half of its corrections.
func TestReviseIsAllOrNothing(t *testing.T) {
	s := openTest(t, Options{})
	r := reading("a", sensors.Temperature, day0, day0, 20, 20)
	commit(t, s, &Batch{Readings: []sensors.Reading{r}})
	bad := &Batch{
		Reflags:      []Reflag{{r.Series, r.Time, sensors.Fail}},
		Calibrations: []Calibration{{Series: r.Series, From: day0, Offset: math.NaN(), Gain: 1}},
	}
	if err := s.Commit(context.Background(), bad); err == nil || errors.Is(err, ErrClosed) {
		t.Fatalf("a calibration without a number was stored: %v", err)
	}
	if d := cmp.Diff([]sensors.Reading{r}, scanAll(t, s.Reader, time.Time{}, day0.AddDate(1, 0, 0))); d != "" {
		t.Errorf("half a batch (-want +got):\n%s", d)
	}
}
