package payload_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

func homieSpec(topic string) payload.Spec {
	return payload.Spec{Format: payload.Homie, Topic: topic, Values: []payload.ValueSpec{
		value(sensors.Temperature, "air/temperature", ""),
		value(sensors.RelativeHumidity, "air/humidity", "ratio"),
	}}
}

// step is one message and what is expected of it.
type step struct {
	topic, body string
	want        []float64
	kinds       []payload.Kind
	presence    payload.Presence
}

func play(t *testing.T, d payload.Decoder, steps []step) {
	t.Helper()
	for i, s := range steps {
		got, err := d.Decode(s.topic, []byte(s.body), received)
		var values []float64
		for _, m := range got {
			values = append(values, m.Value)
		}
		if diff := cmp.Diff(s.want, values); diff != "" {
			t.Errorf("step %d, %s: values (-want +got):\n%s", i, s.topic, diff)
		}
		if diff := cmp.Diff(s.kinds, kinds(t, err)); diff != "" {
			t.Errorf("step %d, %s: kinds (-want +got):\n%s%v", i, s.topic, diff, err)
		}
		if p := d.(payload.Presencer).Presence(); p != s.presence {
			t.Errorf("step %d, %s: presence %d, want %d", i, s.topic, p, s.presence)
		}
	}
}

func TestHomie5(t *testing.T) {
	const device = "homie/5/nursery-north"
	d := decoder(t, homieSpec(device+"/#"))
	filters := payload.Filters(d, "")
	for _, want := range []string{device + "/$state", device + "/air/temperature", device + "/air/humidity", device + "/$description"} {
		if !slices.Contains(filters, want) {
			t.Errorf("filters %q lack %s", filters, want)
		}
	}
	play(t, d, []step{
		{device + "/$state", "init", nil, nil, payload.Here},
		{device + "/$description", `{"homie":"5.0","version":1,"nodes":{"air":{"properties":{"temperature":{"datatype":"float","unit":"°F"},"humidity":{"datatype":"float","unit":"%"}}}}}`, nil, nil, payload.Here},
		{device + "/$state", "ready", nil, nil, payload.Here},
		{device + "/air/temperature", "212", []float64{100}, nil, payload.Here},
		{device + "/air/humidity", "0.68", []float64{68}, nil, payload.Here}, // the configuration's unit goes first
		{device + "/air/temperature", "true", nil, []payload.Kind{payload.NotANumber}, payload.Here},
		{device + "/air/temperature", "", nil, []payload.Kind{payload.Empty}, payload.Here},
		{device + "/air/temperature/set", "30", nil, nil, payload.Here},
		{device + "/air/pressure", "1013", nil, nil, payload.Here},
		{"homie/5/nursery-north2/air/temperature", "1", nil, nil, payload.Here},
		{device + "/$state", "sleeping", nil, nil, payload.Here},
		{device + "/$state", "lost", nil, nil, payload.Gone},
		{device + "/$state", "dancing", nil, []payload.Kind{payload.Undecodable}, payload.Gone},
		{device + "/$state", "\xff", nil, []payload.Kind{payload.Undecodable}, payload.Gone},
		{device + "/$description", `{"nodes":{"air":{"properties":{"temperature":{"unit":"V"}}}}}`, nil, []payload.Kind{payload.BadUnit}, payload.Gone},
		{device + "/air/temperature", "21.5", nil, []payload.Kind{payload.BadUnit}, payload.Gone},
		{device + "/$description", `{"nodes":[{"id":"air","properties":[{"id":"temperature","unit":"°C"}]}]}`, nil, nil, payload.Gone},
		{device + "/air/temperature", "21.5", []float64{21.5}, nil, payload.Gone},
		{device + "/$description", `{"nodes":7}`, nil, []payload.Kind{payload.Undecodable}, payload.Gone},
		{device + "/$description", `nonsense`, nil, []payload.Kind{payload.Undecodable}, payload.Gone},
		{device + "/$state", "", nil, nil, payload.Unknown},
	})
}

func TestHomie4(t *testing.T) {
	const device = "homie/nursery-north"
	play(t, decoder(t, homieSpec(device)), []step{
		{device + "/$homie", "4.0.0", nil, nil, payload.Unknown},
		{device + "/air/temperature/$unit", "°F", nil, nil, payload.Unknown},
		{device + "/air/temperature", "32", []float64{0}, nil, payload.Unknown},
		{device + "/$state", "ready", nil, nil, payload.Here},
		{device + "/$state", "disconnected", nil, nil, payload.Gone},
	})
}

// A value is not understood before its unit is known, and the unit is known for
// good; where there is only one, nothing is missing.
func TestHomieUnitIsNeverGuessed(t *testing.T) {
	const device = "homie/nursery-north"
	spec := homieSpec(device)
	spec.Values = append(spec.Values, value(sensors.SignalStrength, "air/signal", ""))
	d := decoder(t, spec)
	play(t, d, []step{
		{device + "/air/signal", "-70", []float64{-70}, nil, payload.Unknown},
		{device + "/air/temperature", "45", nil, []payload.Kind{payload.Unresolved}, payload.Unknown},
		{device + "/air/humidity", "0.68", []float64{68}, nil, payload.Unknown},
	})
	if missing := again(t, spec, remember(t, d)).(payload.Learner).Missing(); !strings.Contains(missing, "temperature has no unit") {
		t.Errorf("missing %q", missing)
	}
	play(t, d, []step{
		{device + "/$state", "ready", nil, nil, payload.Here},
		{device + "/air/temperature/$unit", "°F", nil, nil, payload.Here},
	})
	d = again(t, spec, remember(t, d))
	play(t, d, []step{{device + "/air/temperature", "32", []float64{0}, nil, payload.Here}})
	if missing := d.(payload.Learner).Missing(); missing != "" {
		t.Errorf("missing %q", missing)
	}
}

func TestHomieSpecFaults(t *testing.T) {
	for _, topic := range []string{"", "homie", "homie/+/a", "homie/$x/#"} {
		_, err := payload.New(homieSpec(topic))
		if diff := cmp.Diff([]string{"topic"}, fields(err)); diff != "" {
			t.Errorf("%q: fields (-want +got):\n%s", topic, diff)
		}
	}
	_, err := payload.New(payload.Spec{Format: payload.Homie, Topic: "homie/5/a", Values: []payload.ValueSpec{
		value(sensors.Temperature, "temperature", ""), value(sensors.Battery, "a/b/c", ""), value(sensors.RelativeHumidity, "a/+", ""),
	}})
	if diff := cmp.Diff([]string{"values[0].at", "values[1].at", "values[2].at"}, fields(err)); diff != "" {
		t.Errorf("fields (-want +got):\n%s", diff)
	}
}
