package daemon

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// minutes sends the nursery's air of 25 °C for a stretch of minutes, the
// sensor b off by shift.
func (r *rig) minutes(from, to int, shift float64) {
	const celsius = 25.0
	for m := from; m < to; m++ {
		at := testStart.Add(time.Duration(m) * time.Minute)
		wobble := float64(m%7) / 100
		r.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":%.2f,"h":70}`, at.Unix(), celsius+wobble), at)
		r.send("t/nursery/b", fmt.Sprintf(`{"ts":%d,"t":%.2f,"h":70}`, at.Unix(), celsius+shift+wobble), at)
		r.ticks <- timekeeping.Right(at)
	}
}

// A single spike is told only by the reading after it: then the stored flag is
// corrected and thermal time no longer has it.
func TestConfirmedSpikeIsTakenBack(t *testing.T) {
	play := func(spike float64) (*snapshot.Snapshot, []sensors.Reading) {
		r := newRigOf(t, strings.ReplaceAll(foldtest.Facility, "hall-a\n    room: hall\n    interval: 60s", "hall-a\n    room: hall\n    interval: 10m"))
		r.do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
			ID: "monarch-1", Species: "danaus-plexippus", Start: testStart, StartStage: "egg", Individuals: 100,
			Placements: []population.Placement{{Room: "hall", From: testStart}},
		}})
		for i := range 30 {
			// Far enough apart that the spike has been used before it is told.
			at, v := minute(10*i), 25+float64(i%3)/100
			if i == 20 {
				v += spike
			}
			r.send("t/hall/a", fmt.Sprintf("%.2f", v), at)
			for m := range 10 {
				r.ticks <- timekeeping.Right(at.Add(time.Duration(m) * time.Minute))
			}
		}
		s := r.tick(minute(300))
		return s, r.stored("hall-a", sensors.Temperature)
	}
	calm, _ := play(0)
	s, readings := play(3.5)
	if f := readings[20].Flag; f != sensors.Suspect {
		t.Errorf("the spike of %g °C has the flag %v", readings[20].Value-25, f)
	}
	if a := sensorNamed(t, s, "hall-a").Series[0].Amended; a == nil || a.Was == a.Flag || !a.Time.Equal(readings[20].Time) {
		t.Errorf("amendment %+v", a)
	}
	if d := s.Cohorts[0].ThermalTime - calm.Cohorts[0].ThermalTime; math.Abs(d) > 1e-3 {
		t.Errorf("thermal time differs by %.4f degree-days from that without the spike", d)
	}
}

// A last will takes the sensor out of the room's air at once; a message brings
// it back; a will that comes late is believed no more than the message.
func TestLastWillAndComingBack(t *testing.T) {
	r := newRigOf(t, strings.Replace(foldtest.Facility, "    position: shelf 1\n", "    position: shelf 1\n    availability: {topic: t/nursery/a/state, offline: gone}\n", 1))
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: testStart}
	r.minutes(0, 20, 0)
	will := func(m int, body string) { r.send("t/nursery/a/state", body, minute(m).Add(time.Second)) }
	will(20, "online")
	if s := r.tick(minute(20).Add(2 * time.Second)); s.Rooms[0].UsableSensors != 2 {
		t.Fatalf("%+v", s.Rooms[0])
	}
	will(20, "gone")
	s := r.tick(minute(20).Add(3 * time.Second))
	v := sensorNamed(t, s, "nursery-a")
	if !v.Silent || v.Health.GoneSince.IsZero() || !v.Health.Announces || s.Rooms[0].UsableSensors != 1 {
		t.Errorf("gone and yet %+v in %+v", v.Health, s.Rooms[0])
	}
	r.stop()
	r.start(minute(21))
	if v := sensorNamed(t, r.tick(minute(21)), "nursery-a"); v.Health.GoneSince.IsZero() {
		t.Error("forgotten over a restart that the sensor is gone")
	}
	r.minutes(22, 24, 0)
	if v := sensorNamed(t, r.tick(minute(24)), "nursery-a"); v.Silent || !v.Health.GoneSince.IsZero() {
		t.Errorf("it speaks and is gone: %+v", v.Health)
	}
	will(25, "maybe")
	if s := r.tick(minute(26)); len(s.Rejected) == 0 || !strings.Contains(s.Rejected[len(s.Rejected)-1].Reason, "availability") {
		t.Errorf("rejected %+v", s.Rejected)
	}
	for range 5 {
		will(26, "gone")
		r.minutes(27, 28, 0)
	}
}

func TestSensorThatComesAndGoesIsSaidToFlap(t *testing.T) {
	r := newRigOf(t, strings.Replace(foldtest.Facility, "    position: shelf 1\n", "    position: shelf 1\n    availability: {topic: t/nursery/a/state}\n", 1))
	for i := range 5 {
		r.send("t/nursery/a/state", "online", minute(10*i))
		r.tick(minute(10 * i))
		r.send("t/nursery/a/state", "offline", minute(10*i+5))
		r.tick(minute(10*i + 5))
	}
	v := sensorNamed(t, r.tick(minute(60)), "nursery-a")
	if !slices.ContainsFunc(v.Findings, func(f desk.FindingView) bool { return f.Check == quality.CheckFlapping }) {
		t.Errorf("findings %+v", v.Findings)
	}
}

// Each sensor is late against its own habit.
func TestComplaint02SilenceIsLearnedPerSensor(t *testing.T) {
	r := newRigOf(t, strings.ReplaceAll(foldtest.Facility, "    interval: 60s\n", ""))
	for m := range 600 {
		at := minute(m)
		if m%60 == 0 {
			r.send("t/hall/a", fmt.Sprintf("%.2f", 21+float64(m%7)/100), at)
		}
		if m < 560 {
			r.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":25.%d,"h":70}`, at.Unix(), m%9), at)
		}
		r.ticks <- timekeeping.Right(at)
	}
	s := r.tick(minute(600))
	quick, slow := sensorNamed(t, s, "nursery-a"), sensorNamed(t, s, "hall-a")
	if !quick.Silent || slow.Silent {
		t.Errorf("40 minutes of silence: reports every minute %v, every hour %v", quick.Silent, slow.Silent)
	}
	if d := quick.Health.Interval - time.Minute; d.Abs() > 6*time.Second {
		t.Errorf("learned %v", quick.Health.Interval)
	}
}

func TestClockOfASensorThatIsBehind(t *testing.T) {
	r := newRig(t)
	for m := range 20 {
		at := minute(m)
		r.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":25,"h":70}`, at.Add(-4*time.Minute).Unix()), at)
		r.ticks <- timekeeping.Right(at)
	}
	v := sensorNamed(t, r.tick(minute(20)), "nursery-a")
	if v.Health.ClockSkew == nil || (*v.Health.ClockSkew+4*time.Minute).Abs() > time.Second {
		t.Errorf("skew %v", v.Health.ClockSkew)
	}
	if !slices.ContainsFunc(v.Findings, func(f desk.FindingView) bool { return f.Check == quality.CheckClockSkew }) {
		t.Errorf("findings %+v", v.Findings)
	}
}

// An unclaimed topic is taken up while the engine runs, and a restart and a
// replay with the new configuration come to the same.
func TestClaimWhileRunning(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	body := func(m int) string {
		return fmt.Sprintf(`{"temp":%.2f,"rh":71,"ts":%d}`, 27+float64(m%5)/100, minute(m).Unix())
	}
	for m := range 30 {
		r.minutes(m, m+1, 0)
		r.send("t/hall/a", "21", minute(m))
		r.send("new/one", body(m), minute(m))
	}
	s := r.tick(minute(30))
	if len(s.Unclaimed) != 1 {
		t.Fatalf("unclaimed %+v", s.Unclaimed)
	}
	u := s.Unclaimed[0]
	if u.Topic != "new/one" || u.Count != 30 || u.First.Sub(minute(0)).Abs() > time.Second || u.Format != payload.JSON || u.Time == nil || u.Fields[0].Quantity != sensors.Temperature ||
		len(u.Payloads) != 3 || math.Abs(u.PerMinute-1) > 0.05 || len(u.Fields[0].Trace) != 30 {
		t.Errorf("%+v", u)
	}
	claim := facility.Sensor{ID: "nursery-new", Room: "nursery", Inputs: []facility.Input{{
		Topic: "new/one", Format: payload.JSON, Time: &facility.TimeField{At: "/ts", Unit: "s"},
		Values: []facility.Value{{Quantity: sensors.Temperature, At: "/temp", Unit: "°C"}, {Quantity: sensors.RelativeHumidity, At: "/rh", Unit: "%"}},
	}}}
	bad := claim
	bad.Room = "nowhere"
	if err := r.engine.Do(t.Context(), fold.ClaimSensor{Sensor: bad, Who: "Ana"}); !errors.Is(err, fold.ErrRefused) {
		t.Errorf("claimed for a room that is not there: %v", err)
	}
	r.do(fold.ClaimSensor{Sensor: claim, Who: "Ana"})
	// The file has it too by now, and the restart handles the claim again.
	kept := *r.facility
	kept.Sensors = append(slices.Clone(kept.Sensors), claim)
	for m := 31; m < 60; m++ {
		if m == 40 {
			r.facility = &kept
			r.stop()
			r.start(minute(m))
			if v := sensorNamed(t, r.tick(minute(m)), "nursery-new"); v.LastReading.IsZero() || v.Values[0].Value < 27 {
				t.Errorf("after a restart the claimed sensor is %+v", v)
			}
		}
		r.minutes(m, m+1, 0)
		r.send("t/hall/a", "21", minute(m))
		r.send("new/one", body(m), minute(m))
	}
	live := r.tick(minute(60))
	if len(live.Unclaimed) != 0 || live.Rooms[0].TotalSensors != 3 || *live.Rooms[0].Warmest < 27 {
		t.Errorf("after the claim: %+v", live.Rooms[0])
	}
	r.stop()
	r.start(minute(61))
	restarted := r.tick(minute(61))
	r.stop()
	got := r.replayed()
	if d := cmp.Diff(transitions(t, r.path), got.Transitions); d != "" {
		t.Errorf("replayed alarms differ from live ones:\n%s", d)
	}
	if d := cmp.Diff(restarted.Cohorts, got.Final.Cohorts, cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".Progress" }, cmp.Ignore())); d != "" {
		t.Errorf("replayed cohorts differ from live ones:\n%s", d)
	}
}

// What a retired sensor measured stays the air of its room.
func TestRetiredSensorKeepsItsHistory(t *testing.T) {
	r := newRig(t)
	r.minutes(0, 300, 0)
	r.stop()
	text := strings.Replace(foldtest.Facility, "  - id: nursery-a\n", "  - id: nursery-a\n    retired: true\n", 1)
	text = strings.Replace(text, "  - id: nursery-b\n", "  - id: nursery-b\n    retired: true\n", 1)
	text = strings.Replace(text, "  - id: hall-a", `  - id: nursery-2
    room: nursery
    replaces: nursery-a
    inputs: [{topic: t/nursery/a, format: json, time: {at: /ts, unit: s}, values: [{quantity: temperature, at: /t, unit: °C}]}]
  - id: hall-a`, 1)
	r.facility = foldtest.Parse(t, text)
	r.start(minute(301))
	r.monarchs(testStart)
	for m := 302; m < 320; m++ {
		r.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":25}`, minute(m).Unix()), minute(m))
		r.ticks <- timekeeping.Right(minute(m))
	}
	s := r.tick(minute(320))
	if s.Rooms[0].TotalSensors != 1 || len(s.Retired) != 2 || sensorNamed(t, s, "nursery-2").Replaces != "nursery-a" {
		t.Errorf("%+v, retired %+v", s.Rooms[0], s.Retired)
	}
	want := 13.5 * 319 / (24 * 60)
	if got := s.Cohorts[0]; math.Abs(got.ThermalTime-want) > 0.05 || got.Estimated > 0.1 {
		t.Errorf("thermal time %.3f with %.3f estimated, want %.3f of the retired sensors' air", got.ThermalTime, got.Estimated, want)
	}
}

func TestOutdoorAirIsNoRoomsAir(t *testing.T) {
	r := newRigOf(t, strings.Replace(foldtest.Facility, "  - id: hall-a\n    room: hall\n", "  - id: hall-a\n    place: outdoor\n", 1))
	r.minutes(0, 10, 0)
	r.send("t/hall/a", "-22", minute(10))
	s := r.tick(minute(10))
	for _, room := range s.Rooms {
		if room.Coldest != nil && *room.Coldest < 20 {
			t.Errorf("%s has outdoor air: %+v", room.ID, room)
		}
	}
	if v := sensorNamed(t, s, "hall-a"); v.Place != sensors.Outdoor || !v.Flag.Usable() {
		t.Errorf("frost outdoors is no fault: %+v", v)
	}
}

func TestClimatologyOfARoom(t *testing.T) {
	r := newRigOf(t, strings.Replace(foldtest.Facility, "  - {id: hall, name: Hall}", "  - {id: hall, name: Hall, climate: [{quantity: temperature, low: 18, high: 24, fail_low: 10, fail_high: 30}]}", 1))
	for i, want := range []sensors.Flag{sensors.NotEvaluated, sensors.Pass, sensors.Suspect, sensors.Fail} {
		r.send("t/hall/a", []string{"23.8", "23.9", "24.5", "31"}[i], minute(i))
		if v := sensorNamed(t, r.tick(minute(i)), "hall-a"); v.Flag != want {
			t.Errorf("reading %d has the flag %v, want %v (%+v)", i, v.Flag, want, v.Findings)
		}
	}
}
