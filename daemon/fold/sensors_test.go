package fold

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/quality"
)

func sensorNamed(t *testing.T, s *snapshot.Snapshot, id sensors.SensorID) desk.View {
	t.Helper()
	for _, v := range append(slices.Clone(s.Sensors), s.Retired...) {
		if v.ID == id {
			return v
		}
	}
	t.Fatalf("no sensor %s in the snapshot", id)
	return desk.View{}
}

// A sensor that drifts against two others is found, with size and beginning,
// no longer feeds thermal time, and still counts for harm.
func TestDriftingSensorAmongNeighbours(t *testing.T) {
	third := strings.Replace(foldtest.Facility, "  - id: hall-a", `  - id: nursery-c
    room: nursery
    interval: 60s
    inputs:
      - topic: t/nursery/c
        format: json
        time: {at: /ts, unit: s}
        values: [{quantity: temperature, at: /t, unit: °C}]
  - id: hall-a`, 1)
	options := testOptions(t, third)
	options.ForecastEvery = 0
	sandbox := newBox(t, options)
	noise := func(m, k int) float64 { return float64((m*7919+k*104729)%17)/100 - 0.08 }
	days := 20
	for m := range days * 24 * 6 {
		at := testStart.Add(time.Duration(m) * 10 * time.Minute)
		air := 25 + math.Sin(2*math.Pi*float64(m)/144)
		drift := max(0, 0.1*(float64(m)/144-6))
		for k, name := range []string{"a", "b", "c"} {
			v := air + noise(m, k)
			if name == "b" {
				v += drift
			}
			if err := sandbox.Messages(sensors.Message{Topic: "t/nursery/" + name, Payload: fmt.Appendf(nil, `{"ts":%d,"t":%.2f,"h":70}`, at.Unix(), v), Received: at.Add(time.Duration(k) * time.Second), Ack: func() {}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	s := sandbox.Snapshot()
	v := sensorNamed(t, s, "nursery-b")
	d := v.Series[0].Drift
	if d == nil || d.Size < 0.8 || d.Size > 1.7 || math.Abs(d.PerDay-0.1) > 0.03 {
		t.Fatalf("drift %+v of 0.1 °C a day for 14 days", d)
	}
	if began := testStart.AddDate(0, 0, 6); d.Since.Before(began.AddDate(0, 0, -4)) || d.Since.After(began.AddDate(0, 0, 8)) {
		t.Errorf("drift since %v, began %v", d.Since, began)
	}
	if !slices.ContainsFunc(v.Findings, func(f desk.FindingView) bool { return f.Check == quality.CheckDrift && f.Flag == sensors.Suspect }) || v.Series[0].FlaggedSince.IsZero() {
		t.Errorf("findings %+v", v.Findings)
	}
	room := s.Rooms[0]
	if room.UsableSensors != 2 || *room.Warmest-*room.Temperature < 0.5 {
		t.Errorf("the drifting sensor should count for harm only: %+v", room)
	}
	if len(room.Disagreements) == 0 || room.Disagreements[0].Quantity != sensors.Temperature {
		t.Errorf("disagreements %+v", room.Disagreements)
	}
	if o := v.Series[0].Offset; o == nil || *o < 0.5 {
		t.Errorf("offset from the median %v", o)
	}
}

// A Sparkplug device whose births were missed is asked for them.
func TestSparkplugRebirthIsAskedFor(t *testing.T) {
	f, err := New(testOptions(t, strings.Replace(foldtest.Facility, "  - id: hall-a", `  - id: plug
    room: hall
    inputs: [{topic: spBv1.0/farm/+/edge/plug, format: sparkplug, values: [{quantity: temperature, at: Air/Temperature}]}]
  - id: hall-a`, 1)), &past.Memory{})
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	if err := f.Resume(ctx, testStart); err != nil {
		t.Fatal(err)
	}
	f.Converse(testStart)
	if got := f.TakeRequests(); len(got) != 0 {
		t.Fatalf("asked without a link: %+v", got)
	}
	if err := f.record(ctx, linkEvent{snapshot.Link{Connected: true, Subscribed: true}}); err != nil {
		t.Fatal(err)
	}
	// A data message of a session whose birth nobody saw: seq 3, nothing else.
	f.Admit(sensors.Message{Topic: "spBv1.0/farm/DDATA/edge/plug", Payload: []byte{0x18, 3}, Received: minute(1)})
	if err := f.Handle(ctx); err != nil {
		t.Fatal(err)
	}
	got := f.TakeRequests()
	if len(got) != 1 || got[0].Topic != "spBv1.0/farm/NCMD/edge" {
		t.Fatalf("asked %+v", got)
	}
	f.Converse(minute(1).Add(time.Second))
	if got := f.TakeRequests(); len(got) != 0 {
		t.Errorf("asked again at once: %+v", got)
	}
	if s := f.Snapshot(); len(s.Unclaimed) != 0 || slices.ContainsFunc(s.Messages, func(m desk.MessageTotal) bool { return m.Outcome == desk.Unclaimed && m.Count > 0 }) {
		t.Errorf("its messages are taken for unclaimed: %+v", s.Unclaimed)
	}
	// The edge node dies (bdSeq is not known, so it is believed).
	f.Admit(sensors.Message{Topic: "spBv1.0/farm/NDEATH/edge", Payload: []byte{0x18, 0}, Received: minute(2)})
	if err := f.Handle(ctx); err != nil {
		t.Fatal(err)
	}
	if v := sensorNamed(t, f.Snapshot(), "plug"); v.Health.GoneSince.IsZero() || !v.Silent {
		t.Errorf("dead and yet %+v", v.Health)
	}
}
