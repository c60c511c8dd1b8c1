package daemon

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/fold"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

func shiftCertificate(id sensors.SensorID, shift float64, at time.Time) calibration.Certificate {
	m := calibration.Measurement{From: at.Add(-10 * time.Minute), To: at, N: 20, Mean: -shift, StdDev: 0.01, Resolution: 0.01, Stable: true}
	result, err := calibration.OnePoint(calibration.IcePoint(m))
	if err != nil {
		panic(err)
	}
	c, err := calibration.NewCertificate("", sensors.Series{Sensor: id, Quantity: sensors.Temperature}, "Ana", result, time.Time{}, time.Time{})
	if err != nil {
		panic(err)
	}
	return c
}

// A calibration holds for what comes after it; re-applied, it corrects what is
// stored and the thermal time made of it; a restart and a replay agree.
func TestCalibrationHoldsFromATimeOnAndIsReapplied(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	r.minutes(0, 120, 1)
	r.do(fold.Calibrate{Certificate: shiftCertificate("nursery-b", -1, minute(110)), Who: "Ana"})
	r.minutes(120, 240, 1)
	before := r.tick(minute(240)).Cohorts[0].ThermalTime
	check := func(what string, from time.Time) {
		t.Helper()
		for _, got := range r.stored("nursery-b", sensors.Temperature) {
			want := got.Raw
			if !got.Time.Before(from) {
				want = math.Round((got.Raw-1)*1e4) / 1e4
			}
			if got.Value != want {
				t.Fatalf("%s: at %v raw %g is stored as %g, want %g", what, got.Time, got.Raw, got.Value, want)
			}
		}
	}
	holds := r.engine.Snapshot().Certificates[0].Holds
	if holds.Before(minute(119)) || holds.After(minute(121)) {
		t.Errorf("holds from %v, entered at about %v", holds, minute(120))
	}
	check("calibrated", holds)
	r.stop()
	r.start(minute(241))
	r.do(fold.ReapplyCalibration{Sensor: "nursery-b", Quantity: sensors.Temperature, From: minute(30), Who: "Ana"})
	check("re-applied", minute(30))
	for m := range 10 {
		r.ticks <- timekeeping.Right(minute(241 + m))
	}
	after := r.tick(minute(252))
	// The room's air is the median of two; from the thirtieth minute to the
	// 120th it was half a degree too warm.
	want := before - 0.5*90/(24*60)
	if got := after.Cohorts[0].ThermalTime; math.Abs(got-want) > 0.002 {
		t.Errorf("thermal time %.4f after re-applying, %.4f before it, want %.4f", got, before, want)
	}
	if v := sensorNamed(t, after, "nursery-b"); v.Series[0].Calibration == nil || !v.Series[0].Calibration.Holds.Equal(minute(30)) {
		t.Errorf("calibration in force: %+v", v.Series[0].Calibration)
	}
	r.stop()
	got := r.replayed()
	if d := math.Abs(got.Final.Cohorts[0].ThermalTime - after.Cohorts[0].ThermalTime); d > 1e-9 {
		t.Errorf("replay differs by %g degree-days", d)
	}
	if d := cmp.Diff(after.Certificates, got.Final.Certificates); d != "" {
		t.Errorf("certificates replayed (-live +replay):\n%s", d)
	}
	rows, err := r.reader().LoadCalibrations(t.Context())
	if err != nil || len(rows) != 2 || !rows[0].From.Equal(minute(30)) || rows[0].Offset != -1 || rows[1].Offset != -1 {
		t.Errorf("calibrations in the records: %+v, %v", rows, err)
	}
}

func TestCalibrationsThatAreRefused(t *testing.T) {
	r := newRig(t)
	good := shiftCertificate("nursery-b", -1, testStart)
	unsigned, absurd, other := good, good, good
	unsigned.By = ""
	absurd.Result.Gain = 3
	other.Series.Sensor = "nobody"
	for name, c := range map[string]fold.Command{
		"nobody's name": fold.Calibrate{Certificate: unsigned}, "a gain of 3": fold.Calibrate{Certificate: absurd}, "no such sensor": fold.Calibrate{Certificate: other},
		"never calibrated":     fold.ReapplyCalibration{Sensor: "nursery-a", Quantity: sensors.Temperature, From: testStart},
		"no such quantity":     fold.ReapplyCalibration{Sensor: "hall-a", Quantity: sensors.RelativeHumidity, From: testStart},
		"bench without a name": fold.StartBench{Sensor: "nursery-a", Quantity: sensors.Temperature},
		"bench of a battery":   fold.StartBench{Sensor: "nursery-a", Quantity: sensors.Battery, Who: "Ana"},
		"not on the bench":     fold.LeaveBench{Sensor: "nursery-a", Who: "Ana"},
	} {
		if err := r.engine.Do(t.Context(), c); !errors.Is(err, fold.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	r.do(fold.Calibrate{Certificate: good, Who: "Ana"})
	if err := r.engine.Do(t.Context(), fold.ReapplyCalibration{Sensor: "nursery-b", Quantity: sensors.Temperature, From: minute(10_000)}); !errors.Is(err, fold.ErrRefused) {
		t.Errorf("re-applied from the future: %v", err)
	}
}

// Two points over salts: wait, read, finish. Meanwhile the sensor counts for
// nothing else. A restart in the middle loses nothing.
func TestHumidityBenchOverTwoSalts(t *testing.T) {
	r := newRig(t)
	r.minutes(0, 30, 0)
	r.do(fold.StartBench{Sensor: "nursery-b", Quantity: sensors.RelativeHumidity, Who: "Ana"})
	if s := r.tick(minute(30)); s.Rooms[0].UsableSensors != 1 {
		t.Errorf("%d sensors feed the room while one is on the bench", s.Rooms[0].UsableSensors)
	}
	salt := func(from, to int, percent float64) {
		for m := from; m < to; m++ {
			r.send("t/nursery/b", fmt.Sprintf(`{"ts":%d,"t":25,"h":%g}`, minute(m).Unix(), percent), minute(m))
			r.ticks <- timekeeping.Right(minute(m))
		}
	}
	point := func(s calibration.Salt) error {
		return r.engine.Do(t.Context(), fold.ReadBench{Sensor: "nursery-b", Who: "Ana", Reference: calibration.Reference{Kind: calibration.ReferenceSalt, Salt: s, Celsius: 25, CelsiusError: 0.5}})
	}
	salt(31, 50, 35)
	if err := point(calibration.MagnesiumChloride); !errors.Is(err, fold.ErrRefused) || !strings.Contains(err.Error(), "needs 30m0s") {
		t.Errorf("read after 20 minutes: %v", err)
	}
	salt(50, 65, 35)
	if err := r.engine.Do(t.Context(), fold.ReadBench{Sensor: "nursery-b", Who: "Ana", Reference: calibration.Reference{Kind: calibration.ReferenceIce}}); !errors.Is(err, fold.ErrRefused) {
		t.Errorf("ice as a reference for humidity: %v", err)
	}
	if err := point(calibration.MagnesiumChloride); err != nil {
		t.Fatal(err)
	}
	r.stop()
	r.start(minute(66))
	salt(67, 101, 74)
	b := sensorNamed(t, r.tick(minute(101)), "nursery-b").Bench
	if b == nil || len(b.Points) != 1 || !b.Now.Stable || b.Now.Mean != 74 {
		t.Fatalf("bench after a restart: %+v", b)
	}
	if err := r.engine.Do(t.Context(), fold.FinishBench{Sensor: "nursery-b", Who: "Ana"}); !errors.Is(err, fold.ErrRefused) {
		t.Errorf("finished with one point: %v", err)
	}
	if err := point(calibration.SodiumChloride); err != nil {
		t.Fatal(err)
	}
	r.do(fold.FinishBench{Sensor: "nursery-b", Who: "Ana", Note: "after the summer"})
	// CHECKS: readings of 35.0 over MgCl2 and 74.0 over NaCl at 25 °C give a
	// gain of 1.09 and an offset of -5.37, and turn 50 into 49.13.
	salt(103, 105, 50)
	s := r.tick(minute(105))
	c := s.Certificates[0].Certificate
	if math.Abs(c.Result.Gain-1.09) > 0.002 || math.Abs(c.Result.Offset+5.37) > 0.06 || c.Note != "after the summer" || c.By != "Ana" {
		t.Errorf("certificate %+v", c)
	}
	last := r.stored("nursery-b", sensors.RelativeHumidity)
	if got := last[len(last)-1]; math.Abs(got.Value-49.13) > 0.05 || !got.Flag.Usable() {
		t.Errorf("50 %% became %+v", got)
	}
	for _, reading := range last {
		onBench := reading.Time.After(minute(30)) && reading.Time.Before(minute(102))
		if onBench != (reading.Flag == sensors.Fail) {
			t.Errorf("%v has the flag %v", reading.Time, reading.Flag)
		}
	}
	if v := sensorNamed(t, s, "nursery-b"); v.Bench != nil {
		t.Errorf("still on the bench: %+v", v.Bench)
	}
	due := s.CalibrationsDue(400 * 24 * time.Hour)
	if len(due) != 1 || due[0].Series.Sensor != "nursery-b" || due[0].Over || len(s.CalibrationsDue(30*24*time.Hour)) != 0 {
		t.Errorf("due: %+v", due)
	}
	for _, a := range s.Alarms {
		if strings.Contains(string(a.Key.Condition), "calibration") {
			t.Errorf("a reminder became an alarm: %+v", a)
		}
	}
}
