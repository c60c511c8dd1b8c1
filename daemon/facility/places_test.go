package facility_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
	"rearguard/sensors"
	"rearguard/sensors/quality"
)

const placesBase = `facility: {name: N, timezone: Europe/Madrid}
broker: {address: "tcp://h", client_id: c}
rooms:
  - id: a
    climate: [{quantity: temperature, low: 18, high: 30}]
  - {id: b}
sensors:
  - {id: old, room: a, retired: true, inputs: [{topic: t, format: plain, values: [{quantity: temperature, unit: °C}]}]}
`

func TestPlacesAndPasts(t *testing.T) {
	// A retired sensor's topic may be another's by now.
	f, err := facility.Parse("f.yaml", []byte(placesBase+`
  - {id: new, room: a, replaces: old, height_m: 1.2, availability: {topic: t/lwt, offline: dead}, inputs: [{topic: t, format: plain, values: [{quantity: temperature, unit: °C}]}]}
  - {id: roof, place: outdoor, inputs: [{topic: roof, format: plain, values: [{quantity: temperature, unit: °C}]}]}
  - {id: plug, room: b, inputs: [{topic: spBv1.0/g/+/n/d, format: sparkplug, values: [{quantity: temperature, at: T}]}]}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := &facility.Availability{Topic: "t/lwt", Online: "online", Offline: "dead"}
	if d := cmp.Diff(want, f.Sensors[1].Availability); d != "" || *f.Sensors[1].HeightM != 1.2 || f.Sensors[2].Place != sensors.Outdoor {
		t.Errorf("%+v, %+v %s", f.Sensors[1], f.Sensors[2], d)
	}
	if got := f.Topics(); cmp.Diff([]string{"t", "roof", "spBv1.0/g/+/n/d"}, got) != "" {
		t.Errorf("topics %v", got)
	}
	if got := f.Rooms[0].Expected(sensors.Temperature, f.Site.Location); len(got) != 1 || got[0].Suspect != (quality.Span{Low: 18, High: 30}) {
		t.Errorf("expected %+v", got)
	}
}

func TestSeasonOfAClimate(t *testing.T) {
	f, err := facility.Parse("f.yaml", []byte(strings.Replace(placesBase, "high: 30}", "high: 30, fail_low: 5, fail_high: 40, from: 2026-05-01, to: 2026-09-30}", 1)))
	if err != nil {
		t.Fatal(err)
	}
	c := f.Rooms[0].Expected(sensors.Temperature, f.Site.Location)[0]
	first, last := time.Date(2026, 5, 1, 0, 0, 0, 0, f.Site.Location), time.Date(2026, 9, 30, 23, 59, 0, 0, f.Site.Location)
	if !c.From.Equal(first) || last.After(c.To) || !last.Add(time.Minute).After(c.To) || c.Fail != (quality.Span{Low: 5, High: 40}) {
		t.Errorf("%+v", c)
	}
}

func TestAddSensorWritesPlaceHeightAndAvailability(t *testing.T) {
	path := filepath.Join(t.TempDir(), "facility.yaml")
	if err := os.WriteFile(path, []byte(placesBase), 0o600); err != nil {
		t.Fatal(err)
	}
	height := 1.25
	inputs := []facility.Input{{Topic: "spBv1.0/g/+/n/d", Format: "sparkplug", Values: []facility.Value{{Quantity: sensors.Temperature, At: "Air/Temperature"}}}}
	for _, want := range []facility.Sensor{
		{ID: "new", Room: "a", Replaces: "old", HeightM: &height, Inputs: inputs, Availability: &facility.Availability{Topic: "d/lwt", Online: "1", Offline: "no"}},
		{ID: "roof", Place: sensors.Outdoor, Inputs: []facility.Input{{Topic: "homie/5/roof", Format: "homie", Values: []facility.Value{{Quantity: sensors.Temperature, At: "air/temperature"}}}}},
	} {
		f, err := facility.AddSensor(path, want)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, f.Sensors[len(f.Sensors)-1]); d != "" {
			t.Errorf("read back (-want +got):\n%s", d)
		}
	}
	f, err := facility.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.Filters()
	want := []string{
		"spBv1.0/g/NBIRTH/n", "spBv1.0/g/NDEATH/n", "spBv1.0/g/NDATA/n", "spBv1.0/g/DBIRTH/n/+", "spBv1.0/g/DDEATH/n/+", "spBv1.0/g/DDATA/n/+", "d/lwt",
		"homie/5/roof/$state", "homie/5/roof/$description", "homie/5/roof/air/temperature", "homie/5/roof/air/temperature/$unit",
	}
	if d := cmp.Diff(want, got); err != nil || d != "" {
		t.Errorf("filters: %v (-want +got):\n%s", err, d)
	}
}

func TestFaultsOfPlaces(t *testing.T) {
	plain := func(more string) string {
		return placesBase + "  - {id: s, " + more + ", inputs: [{topic: s, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n"
	}
	input := func(in string) string { return placesBase + "  - {id: s, room: a, inputs: [" + in + "]}\n" }
	for name, tt := range map[string]struct{ text, problem, advice string }{
		"outdoor in a room":      {plain("room: a, place: outdoor"), "air of the place outdoor is not the air of a room", "remove room"},
		"room without a room":    {plain("place: room"), "the room is missing", "add room"},
		"place misspelt":         {plain("place: outdor"), `"outdor" is not possible here`, "did you mean outdoor?"},
		"replaces itself":        {plain("room: a, replaces: s"), "cannot replace itself", "before"},
		"replaces nobody":        {plain("room: a, replaces: x"), `no sensor "x"`, "retired: true"},
		"replaces across rooms":  {plain("room: b, replaces: old"), "was in another room", "remove replaces"},
		"own availability":       {plain("room: a, availability: {topic: rearguard/availability}"), "rearguard's own", "this sensor"},
		"wildcard availability":  {plain("room: a, availability: {topic: a/+}"), "wildcards", "one topic"},
		"same words":             {plain("room: a, availability: {topic: l, online: x, offline: x}"), "are the same", "each case"},
		"climate upside down":    {strings.Replace(placesBase, "low: 18", "low: 31", 1), "not below", "exchange"},
		"climate fails too soon": {strings.Replace(placesBase, "high: 30", "high: 30, fail_low: 20, fail_high: 40", 1), "above low", "suspect"},
		"climate half a span":    {strings.Replace(placesBase, "high: 30", "high: 30, fail_high: 40", 1), "together", "both"},
		"climate date":           {strings.Replace(placesBase, "high: 30", "high: 30, from: soon", 1), "not a date", "2026-05-14"},
		"format of the others":   {input("{topic: s, format: sparkplg, values: [{quantity: temperature, at: T}]}"), "unknown format", "did you mean sparkplug?"},
		"format with a hyphen":   {input("{topic: s, format: senml-cbr, values: [{quantity: temperature, at: T}]}"), "unknown format", "did you mean senml-cbor?"},
		"homie misspelt":         {input("{topic: s, format: homy, values: [{quantity: temperature, at: a/t}]}"), "unknown format", "did you mean homie?"},
		"sparkplug topic":        {input("{topic: s, format: sparkplug, values: [{quantity: temperature, at: T}]}"), "Sparkplug device", "spBv1.0/group/+/node"},
		"homie property":         {input("{topic: homie/5/d, format: homie, values: [{quantity: temperature, at: t}]}"), "node and a property", "air/temperature"},
		"senml name":             {input("{topic: s, format: senml, values: [{quantity: temperature, at: \"a b\"}]}"), "name", "base name"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := facility.Parse("f.yaml", []byte(tt.text))
			var faults strict.Faults
			if !errors.As(err, &faults) || len(faults) != 1 {
				t.Fatalf("want one fault: %v", err)
			}
			if got := faults[0]; !strings.Contains(got.Problem, tt.problem) || !strings.Contains(got.Advice, tt.advice) {
				t.Errorf("problem %q, advice %q", got.Problem, got.Advice)
			}
		})
	}
}
