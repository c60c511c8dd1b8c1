package payload_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

const (
	nodeTopic   = "spBv1.0/site/%/edge"
	nbirth      = "spBv1.0/site/NBIRTH/edge"
	ndeath      = "spBv1.0/site/NDEATH/edge"
	ndata       = "spBv1.0/site/NDATA/edge"
	dbirth      = "spBv1.0/site/DBIRTH/edge/north"
	ddeath      = "spBv1.0/site/DDEATH/edge/north"
	ddata       = "spBv1.0/site/DDATA/edge/north"
	otherDevice = "spBv1.0/site/DDATA/edge/south"
)

func sparkplugSpec() payload.Spec {
	return payload.Spec{Format: payload.Sparkplug, Topic: "spBv1.0/site/+/edge/north", Values: []payload.ValueSpec{
		value(sensors.Temperature, "Air/Temperature", ""),
		value(sensors.RelativeHumidity, "Air/Humidity", ""),
	}}
}

// payloadB is a Sparkplug payload as both encoders take it.
type payloadB struct {
	Timestamp uint64    `json:"timestamp,omitempty"`
	Seq       *uint64   `json:"seq,omitempty"`
	Metrics   []metricB `json:"metrics"`
}

type metricB struct {
	Name         string  `json:"name,omitempty"`
	Alias        *uint64 `json:"alias,omitempty"`
	Timestamp    uint64  `json:"timestamp,omitempty"`
	Type         string  `json:"type,omitempty"`
	IsHistorical bool    `json:"isHistorical,omitempty"`
	IsNull       bool    `json:"isNull,omitempty"`
	// Value is float64, int64, bool, string or nil.
	Value any `json:"value"`
}

func seq(n uint64) *uint64 { return &n }

func born(n uint64) string {
	return string(encodeB(payloadB{Timestamp: 1772366000000, Seq: seq(0), Metrics: []metricB{
		{Name: "bdSeq", Type: "Int64", Value: int64(n)}, {Name: "Node Control/Rebirth", Type: "Boolean", Value: false},
	}}))
}

func dead(n uint64) string {
	return string(encodeB(payloadB{Timestamp: 1772366000000, Metrics: []metricB{{Name: "bdSeq", Type: "Int64", Value: int64(n)}}}))
}

func deviceBorn(s uint64) string {
	return string(encodeB(payloadB{Timestamp: 1772366000000, Seq: seq(s), Metrics: []metricB{
		{Name: "Air/Temperature", Alias: seq(1), Type: "Float", Value: 21.3},
		{Name: "Air/Humidity", Alias: seq(2), Type: "Int16", Value: int64(68)},
		{Name: "Fan", Alias: seq(3), Type: "Boolean", Value: true},
	}}))
}

func data(s uint64, metrics ...metricB) string {
	return string(encodeB(payloadB{Timestamp: 1772366000000, Seq: seq(s), Metrics: metrics}))
}

func byAlias(alias uint64, v any) metricB {
	kind := "Float"
	if _, ok := v.(int64); ok {
		kind = "Int16"
	}
	return metricB{Alias: seq(alias), Type: kind, Value: v}
}

// untold drops the data type, as data messages may.
func untold(m metricB) metricB {
	m.Type = "untold " + m.Type
	return m
}

// sparkplugSession is the life of a device, with what is understood of it.
func sparkplugSession() []step {
	return []step{
		{ddata, data(9, byAlias(1, 20.0)), nil, []payload.Kind{payload.Unresolved}, payload.Unknown},
		{ddata, data(10, metricB{Name: "Air/Temperature", Type: "Double", Value: 20.5}), []float64{20.5}, nil, payload.Unknown},
		{nbirth, born(4), nil, nil, payload.Unknown},
		{dbirth, deviceBorn(1), []float64{21.3, 68}, nil, payload.Here},
		{ddata, data(2, byAlias(1, 21.4), byAlias(3, 1.0), byAlias(77, 1.0)), []float64{21.4}, nil, payload.Here},
		{otherDevice, data(3, byAlias(1, 99.0)), nil, nil, payload.Here},
		{ndata, data(4, byAlias(1, 99.0)), nil, nil, payload.Here},
		{ddata, data(5, untold(byAlias(2, int64(-3)))), []float64{-3}, nil, payload.Here},
		{ddata, data(5, byAlias(1, 21.5)), []float64{21.5}, nil, payload.Here}, // delivered twice
		{ddata, data(6, metricB{Alias: seq(1), Type: "Float", IsNull: true}), nil, []payload.Kind{payload.NotANumber}, payload.Here},
		{ddata, data(7, metricB{Alias: seq(1), Type: "Boolean", Value: true}), nil, []payload.Kind{payload.NotANumber}, payload.Here},
		{ddata, data(8, metricB{Alias: seq(1), Type: "String", Value: "21.6"}), []float64{21.6}, nil, payload.Here},
		{ddata, data(9, metricB{Alias: seq(1), Type: "String", Value: "unavailable"}), nil, []payload.Kind{payload.NotANumber}, payload.Here},
		// One message is lost.
		{ddata, data(11, byAlias(1, 21.7), byAlias(2, int64(60)), metricB{Name: "Air/Humidity", Type: "Int16", Value: int64(61)}), []float64{61}, []payload.Kind{payload.Unresolved}, payload.Here},
		{ddata, data(12, byAlias(1, 21.7)), nil, []payload.Kind{payload.Unresolved}, payload.Here},
		{nbirth, born(4), nil, nil, payload.Unknown},
		{dbirth, deviceBorn(1), []float64{21.3, 68}, nil, payload.Here},
		// A death of an earlier session comes late.
		{ndeath, dead(3), nil, nil, payload.Here},
		{ddeath, data(2), nil, nil, payload.Gone},
		{dbirth, deviceBorn(3), []float64{21.3, 68}, nil, payload.Here},
		{ndeath, dead(4), nil, nil, payload.Gone},
		{ddata, data(4, byAlias(1, 21.8)), nil, []payload.Kind{payload.Unresolved}, payload.Gone},
		{nbirth, "", nil, []payload.Kind{payload.Empty}, payload.Gone},
		{nbirth, "nonsense", nil, []payload.Kind{payload.Undecodable}, payload.Gone},
		{"spBv1.0/site/NBIRTH/edge2", born(1), nil, nil, payload.Gone},
		{"spBv1.0/other/DDATA/edge/north", "nonsense", nil, nil, payload.Gone},
		{"spBv1.0/STATE/host", `{"online":true}`, nil, nil, payload.Gone},
		{"spBv1.0/site/DCMD/edge/north", "nonsense", nil, nil, payload.Gone},
	}
}

func TestSparkplugSession(t *testing.T) { play(t, decoder(t, sparkplugSpec()), sparkplugSession()) }

// A decoder that recalls the memory of another goes on as that one would.
func TestSparkplugSessionOverRestarts(t *testing.T) {
	var memory []byte
	for _, s := range sparkplugSession() {
		d := again(t, sparkplugSpec(), memory)
		play(t, d, []step{s})
		memory = remember(t, d)
	}
}

// What a device says while rearguard was away, in unbroken sequence, is
// understood without a new birth, which is asked for all the same; once a
// number is missing it is not.
func TestSparkplugAfterABreak(t *testing.T) {
	d := decoder(t, sparkplugSpec())
	play(t, d, []step{{nbirth, born(0), nil, nil, payload.Unknown}, {dbirth, deviceBorn(1), []float64{21.3, 68}, nil, payload.Here}})
	d = again(t, sparkplugSpec(), remember(t, d))
	c := d.(payload.Converser)
	c.Missed(true)
	if len(c.Requests(received)) == 0 {
		t.Error("no birth is asked for after a break")
	}
	play(t, d, []step{
		{ddata, data(2, byAlias(1, 21.4)), []float64{21.4}, nil, payload.Here},
		{ddata, data(4, byAlias(1, 21.5)), nil, []payload.Kind{payload.Unresolved}, payload.Here},
	})
	if missing := d.(payload.Learner).Missing(); !strings.Contains(missing, "birth") {
		t.Errorf("missing %q", missing)
	}
	play(t, d, []step{{nbirth, born(0), nil, nil, payload.Unknown}, {dbirth, deviceBorn(1), []float64{21.3, 68}, nil, payload.Here}})
	if missing := d.(payload.Learner).Missing(); missing != "" {
		t.Errorf("missing %q", missing)
	}
	c.Missed(false)
	play(t, d, []step{{ddata, data(2, byAlias(1, 21.4)), nil, []payload.Kind{payload.Unresolved}, payload.Here}})
}

// again is a decoder that takes up the memory of an earlier one, nil for none.
func again(t *testing.T, spec payload.Spec, memory []byte) payload.Decoder {
	t.Helper()
	d := decoder(t, spec)
	if memory != nil {
		if err := d.(payload.Learner).Recall(memory); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

func remember(t *testing.T, d payload.Decoder) []byte {
	t.Helper()
	memory, err := d.(payload.Learner).Memory()
	if err != nil {
		t.Fatal(err)
	}
	return memory
}

// TestSparkplugSequence runs through the wrap from 255 to 0.
func TestSparkplugSequence(t *testing.T) {
	d := decoder(t, sparkplugSpec())
	steps := []step{{nbirth, born(0), nil, nil, payload.Unknown}, {dbirth, deviceBorn(1), []float64{21.3, 68}, nil, payload.Here}}
	for n := uint64(2); n < 600; n++ {
		steps = append(steps, step{ddata, data(n%256, byAlias(1, 20.5)), []float64{20.5}, nil, payload.Here})
	}
	play(t, d, steps)
}

func TestSparkplugBirthWithoutMetric(t *testing.T) {
	d := decoder(t, sparkplugSpec())
	play(t, d, []step{
		{nbirth, born(0), nil, nil, payload.Unknown},
		{dbirth, data(1, metricB{Name: "Air/Temperature", Alias: seq(1), Type: "Double", Value: 21.5}), []float64{21.5}, []payload.Kind{payload.Absent}, payload.Here},
	})
}

func TestSparkplugNodeMetrics(t *testing.T) {
	d := decoder(t, payload.Spec{Format: payload.Sparkplug, Topic: "spBv1.0/site/NDATA/edge", Values: []payload.ValueSpec{value(sensors.Temperature, "T", "K")}})
	birth := string(encodeB(payloadB{Seq: seq(0), Metrics: []metricB{{Name: "T", Alias: seq(0), Type: "Double", Value: 273.15}}}))
	play(t, d, []step{
		{nbirth, birth, []float64{0}, nil, payload.Here},
		{ndata, data(1, metricB{Alias: seq(0), Type: "Double", Value: 274.15}), []float64{1}, nil, payload.Here},
		{ndeath, dead(9), nil, nil, payload.Gone},
	})
}

func TestSparkplugTimes(t *testing.T) {
	d := decoder(t, sparkplugSpec())
	named := func(at uint64, historical bool) metricB {
		return metricB{Name: "Air/Temperature", Type: "Double", Value: 20.0, Timestamp: at, IsHistorical: historical}
	}
	body := encodeB(payloadB{Timestamp: 1772366001000, Seq: seq(1), Metrics: []metricB{
		named(0, false), named(1772366000250, false), named(1772300000000, true), named(0, true), named(1<<62, false),
	}})
	got, err := d.Decode(ddata, body, received)
	if diff := cmp.Diff([]payload.Kind{payload.BadTime, payload.BadTime}, kinds(t, err)); diff != "" {
		t.Errorf("kinds (-want +got):\n%s", diff)
	}
	var times []int64
	for _, m := range got {
		times = append(times, m.Time.UnixMilli())
	}
	if want := []int64{1772366001000, 1772366000250, 1772300000000}; !slices.Equal(times, want) {
		t.Errorf("times %v, want %v", times, want)
	}
}

func TestSparkplugRequests(t *testing.T) {
	d := decoder(t, sparkplugSpec())
	c := d.(payload.Converser)
	now := received
	asks := func(want bool, why string) {
		t.Helper()
		got := c.Requests(now)
		if (len(got) == 1) != want {
			t.Errorf("%s: %d requests", why, len(got))
		}
		for _, r := range got {
			if r.Topic != "spBv1.0/site/NCMD/edge" || len(r.Payload) == 0 {
				t.Errorf("%s: request %+v", why, r)
			}
		}
	}
	feed := func(topic, body string) {
		t.Helper()
		// Errors are the business of the other tests.
		_, _ = d.Decode(topic, []byte(body), now)
	}
	asks(true, "late subscriber")
	asks(false, "asked a moment ago")
	now = now.Add(11 * time.Second)
	asks(true, "no answer")
	now = now.Add(11 * time.Second)
	asks(false, "patience grows")
	feed(nbirth, born(1))
	asks(false, "the device's birth is on its way")
	feed(dbirth, deviceBorn(1))
	asks(false, "all is known")
	now = now.Add(time.Hour)
	asks(false, "all is known for long")
	feed(ddata, data(3, byAlias(1, 20.0)))
	asks(true, "a message was lost")
	feed(nbirth, born(1))
	now = now.Add(11 * time.Second)
	asks(true, "the device's birth was lost")
	feed(nbirth, born(1))
	feed(dbirth, deviceBorn(1))
	c.Missed(false)
	asks(true, "the connection was broken")
	feed(ndeath, dead(1))
	now = now.Add(time.Hour)
	asks(false, "the edge node is gone")
	c.Missed(false)
	asks(true, "it may be back after a broken connection")
}

func TestSparkplugSpecFaults(t *testing.T) {
	for _, topic := range []string{"", "spBv1.0/site/DDATA", "spAv1.0/site/DDATA/edge/a", "spBv1.0/+/DDATA/edge/a", "spBv1.0/site/+/edge/#", "spBv1.0/site/+/edge/a/b"} {
		spec := sparkplugSpec()
		spec.Topic = topic
		_, err := payload.New(spec)
		if diff := cmp.Diff([]string{"topic"}, fields(err)); diff != "" {
			t.Errorf("%q: fields (-want +got):\n%s", topic, diff)
		}
	}
	spec := sparkplugSpec()
	spec.Values[1].At = ""
	_, err := payload.New(spec)
	if diff := cmp.Diff([]string{"values[1].at"}, fields(err)); diff != "" {
		t.Errorf("fields (-want +got):\n%s", diff)
	}
	want := []string{nbirth, ndeath, ndata, "spBv1.0/site/DBIRTH/edge/+", "spBv1.0/site/DDEATH/edge/+", "spBv1.0/site/DDATA/edge/+"}
	if diff := cmp.Diff(want, payload.Filters(decoder(t, sparkplugSpec()), "")); diff != "" {
		t.Errorf("filters (-want +got):\n%s", diff)
	}
}

// jsonB writes a payload for the second encoder, whose JSON cannot hold all
// numbers.
func jsonB(t *testing.T, p payloadB) []byte {
	t.Helper()
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
