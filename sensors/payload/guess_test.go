package payload

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	"github.com/google/go-cmp/cmp"

	"google.golang.org/protobuf/encoding/protowire"

	"rearguard/sensors"
)

func TestGuessOfMessages(t *testing.T) {
	const T, H, B, S = sensors.Temperature, sensors.RelativeHumidity, sensors.Battery, sensors.SignalStrength
	for name, tt := range map[string]struct {
		topic, body string
		want        Guess
	}{
		"plain, named by its topic": {"farm/7/temperature", "21.4", Guess{Plain, "farm/7/temperature", nil, []GuessedField{{"", T, "°C", false, 21.4}}}},
		"plain humidity":            {"farm/7/rh", "63", Guess{Plain, "farm/7/rh", nil, []GuessedField{{"", H, "%", false, 63}}}},
		"plain, says nothing":       {"a/b", "17", Guess{Plain, "a/b", nil, []GuessedField{{"", 0, "", false, 17}}}},
		"json": {"z/1", `{"id":7,"battery":91,"linkquality":120,"temperature":22.51,"humidity":"58.2","last":{"ts":1770000000}}`,
			Guess{JSON, "z/1", &TimeSpec{"/last/ts", "s"}, []GuessedField{
				{"/temperature", T, "°C", false, 22.51}, {"/humidity", H, "%", false, 58.2}, {"/battery", B, "%", false, 91},
				{"/id", 0, "", false, 7}, {"/linkquality", 0, "", false, 120}}}},
		"json in other units": {"z/2", `{"tempF":71.2,"rh":0.55,"rssi":-71,"time":"2026-05-01T08:00:00Z","battery_voltage":2.9}`,
			Guess{JSON, "z/2", &TimeSpec{"/time", "rfc3339"}, []GuessedField{
				{"/tempF", T, "°F", false, 71.2}, {"/rh", H, "ratio", false, 0.55}, {"/rssi", S, "dBm", false, -71}, {"/battery_voltage", 0, "", false, 2.9}}}},
		"json kelvin, odd key": {"z/3", `{"a/b":{"temp~":294.3},"ts":1770000000123}`,
			Guess{JSON, "z/3", &TimeSpec{"/ts", "ms"}, []GuessedField{{"/a~1b/temp~0", T, "K", false, 294.3}}}},
		"senml": {"s/1", `[{"bn":"urn:dev:ow:1:","bt":1770000000,"n":"temp","u":"Cel","v":23.5},{"n":"x","u":"%RH","v":67},{"n":"b","u":"%EL","v":80},{"n":"p","u":"Pa","v":101300}]`,
			Guess{SenML, "s/1", nil, []GuessedField{
				{"urn:dev:ow:1:temp", T, "°C", true, 23.5}, {"urn:dev:ow:1:x", H, "%", true, 67}, {"urn:dev:ow:1:b", B, "%", true, 80}, {"urn:dev:ow:1:p", 0, "", false, 101300}}}},
		"homie":     {"homie/5/d1/air/temperature", "19.5", Guess{Homie, "homie/5/d1", nil, []GuessedField{{"air/temperature", T, "°C", false, 19.5}}}},
		"homie 4":   {"homie/d1/air/humidity", "44", Guess{Homie, "homie/d1", nil, []GuessedField{{"air/humidity", H, "%", false, 44}}}},
		"dew point": {"z/4", `{"dew_point_temp":11}`, Guess{JSON, "z/4", nil, []GuessedField{{"/dew_point_temp", 0, "", false, 11}}}},
	} {
		t.Run(name, func(t *testing.T) {
			got, ok := Recognize(tt.topic, []byte(tt.body))
			if d := cmp.Diff(tt.want, got); !ok || d != "" {
				t.Fatalf("%v (-want +got):\n%s", ok, d)
			}
			// What is guessed must be something a decoder can be made of and
			// reads the same value from.
			f := got.Fields[0]
			if f.Quantity == 0 {
				return
			}
			decoder, err := New(Spec{Format: got.Format, Topic: got.Topic, Time: got.Time, Values: []ValueSpec{{Quantity: f.Quantity, At: f.At, Unit: f.Unit}}})
			if err != nil {
				t.Fatal(err)
			}
			m, err := decoder.Decode(tt.topic, []byte(tt.body), time.Unix(1770000000, 0))
			if err != nil || len(m) != 1 {
				t.Errorf("decoded %+v, %v", m, err)
			}
		})
	}
}

func TestGuessOfBinaryMessages(t *testing.T) {
	body, err := cbor.Marshal([]map[int]any{{cborBaseName: "dev1:", cborName: "temp", cborUnit: "Cel", cborValue: 21.5}, {cborName: "rh", cborUnit: "%RH", cborValue: 60}})
	if err != nil {
		t.Fatal(err)
	}
	want := Guess{SenMLCBOR, "s/2", nil, []GuessedField{{"dev1:temp", sensors.Temperature, "°C", true, 21.5}, {"dev1:rh", sensors.RelativeHumidity, "%", true, 60}}}
	if g, ok := Recognize("s/2", body); !ok || cmp.Diff(want, g) != "" {
		t.Errorf("SenML in CBOR is taken for %+v", g)
	}
	double := func(v float64) []byte {
		m := protowire.AppendTag(nil, metricName, protowire.BytesType)
		m = protowire.AppendString(m, "Air/Temperature")
		m = protowire.AppendTag(m, metricDouble, protowire.Fixed64Type)
		m = protowire.AppendFixed64(m, math.Float64bits(v))
		return protowire.AppendBytes(protowire.AppendTag(nil, payloadMetrics, protowire.BytesType), m)
	}
	want = Guess{Sparkplug, "spBv1.0/g/+/n/d", nil, []GuessedField{{"Air/Temperature", sensors.Temperature, "°C", false, 22.25}}}
	if g, ok := Recognize("spBv1.0/g/DBIRTH/n/d", double(22.25)); !ok || cmp.Diff(want, g) != "" {
		t.Errorf("a Sparkplug birth is taken for %+v", g)
	}
	if g, ok := Recognize("spBv1.0/g/NCMD/n", body); ok {
		t.Errorf("a command is taken for a sensor: %+v", g)
	}
}

func TestNoGuess(t *testing.T) {
	for _, body := range []string{"", "on", "online", `{"state":"ON"}`, "[", "\xff\xfe\x00", `{"a":`, "NaN"} {
		if g, ok := Recognize("a/b", []byte(body)); ok {
			t.Errorf("%q is taken for %+v", body, g)
		}
	}
}

func TestClaimTopics(t *testing.T) {
	for topic, want := range map[string]string{
		"a/b": "a/b", "spBv1.0/g/DDATA/n/d": "spBv1.0/g/+/n/d", "spBv1.0/g/NBIRTH/n": "spBv1.0/g/+/n",
		"spBv1.0/STATE/host": "", "spBv1.0/g/NCMD/n": "", "spBv1.0/g/DCMD/n/d": "",
		"homie/5/d/$state": "homie/5/d", "homie/d/air/t": "homie/d", "homie/5/d/a/b/set": "",
	} {
		got, ok := ClaimTopic(topic)
		if ok != (want != "") || ok && got != want {
			t.Errorf("%s: %q %v, want %q", topic, got, ok, want)
		}
	}
}

func FuzzRecognize(f *testing.F) {
	f.Add("a/temperature", []byte("21.5"))
	f.Add("a", []byte(`{"t":[1,{"h":2}],"ts":1770000000}`))
	f.Add("spBv1.0/g/DBIRTH/n/d", []byte{0x12, 0x03, 0x0a, 0x01, 't'})
	f.Add("homie/5/d/air/t", []byte("1"))
	f.Add("s", []byte(`[{"n":"t","u":"Cel","v":1}]`))
	f.Fuzz(func(t *testing.T, topic string, body []byte) {
		g, ok := Recognize(topic, body)
		if ok && (len(g.Fields) == 0 || len(g.Fields) > maxGuessed || !slices.Contains(FormatNames(), string(g.Format))) {
			t.Errorf("%+v", g)
		}
		for _, field := range g.Fields {
			if field.Value != field.Value {
				t.Errorf("a guess without a number: %+v", field)
			}
		}
	})
}
