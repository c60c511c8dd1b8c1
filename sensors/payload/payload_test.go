package payload_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

var received = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// kinds returns the kinds of all the payload errors joined in err.
func kinds(t *testing.T, err error) []payload.Kind {
	t.Helper()
	if err == nil {
		return nil
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []payload.Kind
		for _, e := range joined.Unwrap() {
			all = append(all, kinds(t, e)...)
		}
		return all
	}
	var e *payload.Error
	if !errors.As(err, &e) {
		t.Fatalf("error %v is no *payload.Error", err)
	}
	return []payload.Kind{e.Kind}
}

func decoder(t testing.TB, spec payload.Spec) payload.Decoder {
	t.Helper()
	d, err := payload.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func value(q sensors.Quantity, at, unit string) payload.ValueSpec {
	return payload.ValueSpec{Quantity: q, At: at, Unit: unit}
}

func TestPlain(t *testing.T) {
	tests := []struct {
		name     string
		quantity sensors.Quantity
		unit     string
		body     string
		want     float64
		kind     payload.Kind
	}{
		{name: "number", body: "21.5", want: 21.5},
		{name: "white space and NUL", body: " 21.5\r\n\x00", want: 21.5},
		{name: "sign", body: "+3", want: 3},
		{name: "exponent", body: "2.15e1", want: 21.5},
		{name: "no leading digit", body: "-.5", want: -0.5},
		{name: "freezing in Fahrenheit", unit: "°F", body: "32", want: 0},
		{name: "boiling in Fahrenheit", unit: "degF", body: "212", want: 100},
		{name: "equal on both scales", unit: "F", body: "-40", want: -40},
		{name: "triple point of water", unit: "K", body: "273.16", want: 273.16 - 273.15},
		{name: "ratio", quantity: sensors.RelativeHumidity, unit: "ratio", body: "0.68", want: 68},
		{name: "percent", quantity: sensors.RelativeHumidity, unit: "%RH", body: "68", want: 68},
		{name: "battery ratio", quantity: sensors.Battery, unit: "1", body: "1", want: 100},
		{name: "radio", quantity: sensors.SignalStrength, body: "-71", want: -71},
		{name: "negative humidity is a matter of quality", quantity: sensors.RelativeHumidity, body: "-4", want: -4},
		{name: "below absolute zero", unit: "kelvin", body: "-1", kind: payload.BadUnit},
		{name: "empty", body: "", kind: payload.Empty},
		{name: "blank", body: "  ", kind: payload.NotANumber},
		{name: "NaN", body: "NaN", kind: payload.NotANumber},
		{name: "infinity", body: "Infinity", kind: payload.NotANumber},
		{name: "inf", body: "-inf", kind: payload.NotANumber},
		{name: "too large", body: "1e999", kind: payload.NotANumber},
		{name: "overflow in conversion", quantity: sensors.Battery, unit: "ratio", body: "1e308", kind: payload.NotANumber},
		{name: "unavailable", body: "unavailable", kind: payload.NotANumber},
		{name: "boolean", body: "true", kind: payload.NotANumber},
		{name: "hexadecimal", body: "0x15", kind: payload.NotANumber},
		{name: "underscore", body: "2_1", kind: payload.NotANumber},
		{name: "decimal comma", body: "21,5", kind: payload.NotANumber},
		{name: "two signs", body: "--21", kind: payload.NotANumber},
		{name: "sign alone", body: "-", kind: payload.NotANumber},
		{name: "invalid UTF-8", body: "21.5\xff", kind: payload.Undecodable},
		{name: "a megabyte of NUL", body: strings.Repeat("\x00", 1<<20), kind: payload.NotANumber},
		{name: "a megabyte of zeros", body: strings.Repeat("0", 1<<20), kind: payload.NotANumber},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			q := test.quantity
			if q == 0 {
				q = sensors.Temperature
			}
			d := decoder(t, payload.Spec{Format: payload.Plain, Values: []payload.ValueSpec{value(q, "", test.unit)}})
			got, err := d.Decode("a/b", []byte(test.body), received)
			if test.kind != 0 {
				if diff := cmp.Diff([]payload.Kind{test.kind}, kinds(t, err)); diff != "" || len(got) != 0 {
					t.Fatalf("got %v, %v; kinds (-want +got):\n%s", got, err, diff)
				}
				if len(err.Error()) > 200 {
					t.Errorf("error text of %d bytes quotes too much", len(err.Error()))
				}
				return
			}
			if err != nil || len(got) != 1 {
				t.Fatalf("got %v, %v", got, err)
			}
			if m := got[0]; m.Quantity != q || !m.Time.IsZero() || math.Abs(m.Value-test.want) > 1e-9 {
				t.Errorf("got %+v, want %s %g", m, q, test.want)
			}
		})
	}
}

func climate(timing *payload.TimeSpec) payload.Spec {
	return payload.Spec{Format: payload.JSON, Time: timing, Values: []payload.ValueSpec{
		value(sensors.Temperature, "/data/temperature", ""),
		value(sensors.RelativeHumidity, "/data/humidity", "ratio"),
	}}
}

func TestJSON(t *testing.T) {
	both := []payload.Measurement{
		{Quantity: sensors.Temperature, Value: 21.5},
		{Quantity: sensors.RelativeHumidity, Value: 68},
	}
	tests := []struct {
		name  string
		body  string
		want  []payload.Measurement
		kinds []payload.Kind
	}{
		{name: "both", body: `{"id":"x","data":{"temperature":21.5,"humidity":0.68,"other":[1,{"temperature":5}]}}`, want: both},
		{name: "numeric strings", body: `{"data":{"temperature":"21.5","humidity":" 0.68 "}}`, want: both},
		{name: "byte order mark", body: "\ufeff" + `{"data":{"temperature":21.5,"humidity":0.68}}`, want: both},
		{name: "escaped names", body: `{"d\u0061ta":{"temper\u0061ture":21.5,"humidity":0.68}}`, want: both},
		{name: "one bad", body: `{"data":{"temperature":21.5,"humidity":"unavailable"}}`, want: both[:1], kinds: []payload.Kind{payload.NotANumber}},
		{name: "one absent", body: `{"data":{"humidity":0.68}}`, want: both[1:], kinds: []payload.Kind{payload.Absent}},
		{name: "null and boolean", body: `{"data":{"temperature":null,"humidity":true}}`, kinds: []payload.Kind{payload.NotANumber, payload.NotANumber}},
		{name: "NaN bare", body: `{"data":{"temperature":NaN,"humidity":0.68}}`, want: both[1:], kinds: []payload.Kind{payload.NotANumber}},
		{name: "infinities bare and quoted", body: `{"data":{"temperature":-Infinity,"humidity":"Infinity"}}`, kinds: []payload.Kind{payload.NotANumber, payload.NotANumber}},
		{name: "too large", body: `{"data":{"temperature":1e999,"humidity":0.68}}`, want: both[1:], kinds: []payload.Kind{payload.NotANumber}},
		{name: "containers", body: `{"data":{"temperature":[21.5],"humidity":{}}}`, kinds: []payload.Kind{payload.NotANumber, payload.NotANumber}},
		{name: "twice", body: `{"data":{"temperature":21.5,"temperature":22,"humidity":0.68}}`, want: both[1:], kinds: []payload.Kind{payload.NotANumber}},
		{name: "empty string", body: `{"data":{"temperature":"","humidity":0.68}}`, want: both[1:], kinds: []payload.Kind{payload.NotANumber}},
		{name: "not an object", body: `21.5`, kinds: []payload.Kind{payload.Absent, payload.Absent}},
		{name: "empty", body: "", kinds: []payload.Kind{payload.Empty}},
		{name: "text", body: "unavailable", kinds: []payload.Kind{payload.Undecodable}},
		{name: "cut off", body: `{"data":{"temperature":21.5,`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "trailing text", body: `{"data":{"temperature":21.5,"humidity":0.68}} x`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "invalid UTF-8", body: "{\"data\":{\"temperature\":21.5,\"humidity\":\"\xff\"}}", kinds: []payload.Kind{payload.Undecodable}},
		{name: "zeros", body: strings.Repeat("\x00", 1<<20), kinds: []payload.Kind{payload.Undecodable}},
		{name: "deep arrays", body: strings.Repeat("[", 1<<20), kinds: []payload.Kind{payload.Undecodable}},
		{name: "deep objects", body: strings.Repeat(`{"data":`, 1<<16), kinds: []payload.Kind{payload.Undecodable}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got, err := decoder(t, climate(nil)).Decode("a", []byte(test.body), received)
			if diff := cmp.Diff(test.kinds, kinds(t, err)); diff != "" {
				t.Errorf("kinds (-want +got):\n%s%v", diff, err)
			}
			if diff := cmp.Diff(test.want, got); len(test.want)+len(got) > 0 && diff != "" {
				t.Errorf("measurements (-want +got):\n%s", diff)
			}
		})
	}
}

func TestJSONTime(t *testing.T) {
	want := time.Date(2026, 3, 1, 11, 59, 30, 250e6, time.UTC)
	tests := []struct {
		unit, time string
		want       time.Time
	}{
		{"s", "1772366370.25", want},
		{"s", `"1772366370.25"`, want},
		{"s", "1772366370", want.Truncate(time.Second)},
		{"ms", "1772366370250", want},
		{"ms", "1.77236637025e12", want},
		{"us", "1772366370250000", want},
		{"ns", "1772366370250000000", want},
		{"s", "-1.5", time.Unix(-2, 500e6).UTC()},
		{"s", "0", time.Unix(0, 0).UTC()},
		{"rfc3339", `"2026-03-01T11:59:30.25Z"`, want},
		{"rfc3339", `"2026-03-01 12:59:30.250+01:00"`, want},
		{"rfc3339", `"2026-03-01T11:59:30"`, time.Time{}},
		{"rfc3339", "1772366370", time.Time{}},
		{"rfc3339", `"yesterday"`, time.Time{}},
		{"s", "1772366370250", time.Time{}},
		{"ns", "1e999", time.Time{}},
		{"s", "null", time.Time{}},
		{"s", "{}", time.Time{}},
		{"s", "NaN", time.Time{}},
		{"s", `""`, time.Time{}},
	}
	for _, test := range tests {
		t.Run(test.unit+" "+test.time, func(t *testing.T) {
			d := decoder(t, climate(&payload.TimeSpec{At: "/at", Unit: test.unit}))
			body := `{"at":` + test.time + `,"data":{"temperature":21.5,"humidity":0.5}}`
			got, err := d.Decode("a", []byte(body), received)
			if test.want.IsZero() {
				if diff := cmp.Diff([]payload.Kind{payload.BadTime}, kinds(t, err)); diff != "" || len(got) != 0 {
					t.Fatalf("got %v, kinds (-want +got):\n%s", got, diff)
				}
				return
			}
			if err != nil || len(got) != 2 {
				t.Fatalf("got %v, %v", got, err)
			}
			for _, m := range got {
				if !m.Time.Equal(test.want) || m.Time.Location() != time.UTC {
					t.Errorf("%s: time %v, want %v", m.Quantity, m.Time, test.want)
				}
			}
		})
	}
	t.Run("absent", func(t *testing.T) {
		d := decoder(t, climate(&payload.TimeSpec{At: "/at", Unit: "s"}))
		got, err := d.Decode("a", []byte(`{"data":{"temperature":21.5,"humidity":0.5}}`), received)
		if diff := cmp.Diff([]payload.Kind{payload.BadTime}, kinds(t, err)); diff != "" || len(got) != 0 {
			t.Fatalf("got %v, kinds (-want +got):\n%s", got, diff)
		}
	})
}

// TestPointers evaluates the pointers of the document in RFC 6901 section 5
// whose values are numbers.
func TestPointers(t *testing.T) {
	const document = `{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}`
	want := map[string]float64{
		"/": 0, "/a~1b": 1, "/c%d": 2, "/e^f": 3, "/g|h": 4, `/i\j`: 5, `/k"l`: 6, "/ ": 7, "/m~0n": 8,
	}
	for pointer, v := range want {
		d := decoder(t, payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{value(sensors.Temperature, pointer, "")}})
		got, err := d.Decode("a", []byte(document), received)
		if err != nil || len(got) != 1 || got[0].Value != v {
			t.Errorf("%s: got %v, %v; want %g", pointer, got, err, v)
		}
	}
	for pointer, body := range map[string]string{
		"":        `21.5`,
		"/1":      `[20,21.5]`,
		"/a/0/b":  `{"a":[{"b":21.5}]}`,
		"/0":      `{"0":21.5}`,
		"/~01":    `{"~1":21.5}`,
		"/a/10/0": `{"a":[0,0,0,0,0,0,0,0,0,0,[21.5]]}`,
	} {
		d := decoder(t, payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{value(sensors.Temperature, pointer, "")}})
		got, err := d.Decode("a", []byte(body), received)
		if err != nil || len(got) != 1 || got[0].Value != 21.5 {
			t.Errorf("%q in %s: got %v, %v", pointer, body, got, err)
		}
	}
	// A leading zero is no array index.
	d := decoder(t, payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{value(sensors.Temperature, "/01", "")}})
	if got, err := d.Decode("a", []byte(`[20,21.5]`), received); len(got) != 0 || err == nil {
		t.Errorf("/01: got %v, %v", got, err)
	}
}

func TestSpecFaults(t *testing.T) {
	temperature := value(sensors.Temperature, "", "")
	tests := []struct {
		name string
		spec payload.Spec
		want []string
	}{
		{"nothing", payload.Spec{}, []string{"values", "format"}},
		{"format", payload.Spec{Format: "xml", Values: []payload.ValueSpec{temperature}}, []string{"format"}},
		{"unit", payload.Spec{Format: payload.Plain, Values: []payload.ValueSpec{value(sensors.RelativeHumidity, "", "°C")}}, []string{"values[0].unit"}},
		{"quantity", payload.Spec{Format: payload.Plain, Values: []payload.ValueSpec{{}}}, []string{"values[0].quantity"}},
		{"plain with place and time", payload.Spec{Format: payload.Plain, Time: &payload.TimeSpec{}, Values: []payload.ValueSpec{value(sensors.Temperature, "/a", "")}}, []string{"time", "values[0].at"}},
		{"plain with two", payload.Spec{Format: payload.Plain, Values: []payload.ValueSpec{temperature, value(sensors.Battery, "", "")}}, []string{"values"}},
		{"twice", payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{temperature, temperature}}, []string{"values[1].quantity"}},
		{"pointers", payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{
			value(sensors.Temperature, "a", ""), value(sensors.Battery, "/a~2", ""),
			value(sensors.RelativeHumidity, "/a/-", ""), value(sensors.SignalStrength, strings.Repeat("/a", 100), ""),
		}}, []string{"values[0].at", "values[1].at", "values[2].at", "values[3].at"}},
		{"time", payload.Spec{Format: payload.JSON, Time: &payload.TimeSpec{Unit: "h"}, Values: []payload.ValueSpec{value(sensors.Temperature, "/t", "")}}, []string{"time.unit", "time.at"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := payload.New(test.spec)
			if err == nil {
				t.Fatal("no error")
			}
			if diff := cmp.Diff(test.want, fields(err)); diff != "" {
				t.Errorf("fields (-want +got):\n%s%v", diff, err)
			}
		})
	}
}

func fields(err error) []string {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []string
		for _, e := range joined.Unwrap() {
			all = append(all, fields(e)...)
		}
		return all
	}
	var e *payload.SpecError
	if errors.As(err, &e) {
		return []string{e.Field}
	}
	return []string{"?"}
}

// What no instrument can mean is refused with the reason, and what is only
// wrong is left to be flagged; the other value of the message is good.
func TestImpossibleNumbersAreRefused(t *testing.T) {
	d := decoder(t, payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{
		{Quantity: sensors.Temperature, At: "/t", Unit: "°C"}, {Quantity: sensors.RelativeHumidity, At: "/h", Unit: "%"},
	}})
	for _, body := range []string{"1e305", "-1e305", "1e308", "9999", "-274", "6553.5"} {
		got, err := d.Decode("", []byte(`{"h":60,"t":`+body+`}`), received)
		var fault *payload.Error
		if !errors.As(err, &fault) || fault.Kind != payload.Impossible || fault.Quantity != sensors.Temperature {
			t.Errorf("%s °C: %v", body, err)
		}
		if len(got) != 1 || got[0].Value != 60 {
			t.Errorf("beside %s °C the humidity is %+v", body, got)
		}
	}
	for _, body := range []string{"-127", "85", "298.15", "-273.15", "200"} {
		if got, err := d.Decode("", []byte(`{"h":60,"t":`+body+`}`), received); err != nil || len(got) != 2 {
			t.Errorf("%s °C: %+v, %v", body, got, err)
		}
	}
}
