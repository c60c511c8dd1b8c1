package payload_test

import (
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

func senML(format payload.Format) payload.Spec {
	return payload.Spec{Format: format, Values: []payload.ValueSpec{
		value(sensors.Temperature, "dev:1/temperature", ""),
		value(sensors.RelativeHumidity, "dev:1/humidity", "ratio"),
	}}
}

func TestSenML(t *testing.T) {
	temperature := func(v float64) payload.Measurement {
		return payload.Measurement{Quantity: sensors.Temperature, Value: v}
	}
	humidity := payload.Measurement{Quantity: sensors.RelativeHumidity, Value: 68}
	at := func(m payload.Measurement, when time.Time, fromReceipt bool) payload.Measurement {
		m.Time, m.FromReceipt = when, fromReceipt
		return m
	}
	const both = `{"bn":"dev:1/","n":"temperature","u":"Cel","v":21.5},{"n":"humidity","u":"%RH","v":68}`
	tests := []struct {
		name  string
		body  string
		want  []payload.Measurement
		kinds []payload.Kind
	}{
		{name: "two now", body: `[` + both + `]`, want: []payload.Measurement{temperature(21.5), humidity}},
		{name: "configured unit where the pack states none", body: `[{"n":"dev:1/temperature","v":21.5},{"n":"dev:1/humidity","v":0.68}]`,
			want: []payload.Measurement{temperature(21.5), humidity}},
		{name: "kelvin and a base value", body: `[{"bn":"dev:1/","bu":"K","bv":273.15,"n":"temperature","v":0},{"n":"humidity","u":"/","bv":0,"v":0.68}]`,
			want: []payload.Measurement{temperature(0), humidity}},
		{name: "base value is added", body: `[{"bn":"dev:1/","bv":20},{"n":"temperature","u":"Cel","v":1.5},{"n":"humidity","u":"%RH","v":48}]`,
			want: []payload.Measurement{temperature(21.5), humidity}},
		{name: "base value alone is no value", body: `[{"bn":"dev:1/temperature","bv":20},{"bn":"dev:1/humidity","bv":0,"u":"%RH","v":68}]`,
			want: []payload.Measurement{humidity}, kinds: []payload.Kind{payload.Absent}},
		{name: "times", body: `[{"bn":"dev:1/","bt":1772366370,"n":"temperature","v":1},{"n":"temperature","t":0.25,"v":2},{"bt":0,"n":"temperature","t":-5,"v":3},{"n":"humidity","u":"%RH","v":68}]`,
			want: []payload.Measurement{
				at(temperature(1), time.Unix(1772366370, 0).UTC(), false),
				at(temperature(2), time.Unix(1772366370, 250e6).UTC(), false),
				at(temperature(3), received.Add(-5*time.Second), true),
				humidity,
			}},
		{name: "unknown field", body: `[{"bn":"dev:1/","n":"temperature","v":21.5,"x":[{"y_":1}]},{"n":"humidity","u":"%RH","v":68}]`,
			want: []payload.Measurement{temperature(21.5), humidity}},
		{name: "field that must be understood", body: `[{"x_":1},` + both + `]`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "same, written with an escape", body: `[{"x\u005f":1},` + both + `]`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "lower version", body: `[{"bver":5},` + both + `]`, want: []payload.Measurement{temperature(21.5), humidity}},
		{name: "higher version", body: `[{"bver":11},` + both + `]`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "higher version in the last record", body: `[` + both + `,{"bver":11}]`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "foreign unit", body: `[{"bn":"dev:1/","n":"temperature","u":"V","v":21.5},{"n":"humidity","u":"%RH","v":68}]`,
			want: []payload.Measurement{humidity}, kinds: []payload.Kind{payload.BadUnit}},
		{name: "values that are no numbers", body: `[{"bn":"dev:1/","n":"temperature","vs":"21.5"},{"n":"humidity","v":"68"}]`,
			kinds: []payload.Kind{payload.NotANumber, payload.NotANumber}},
		{name: "booleans, NaN, overflow", body: `[{"bn":"dev:1/","n":"temperature","vb":true},{"n":"humidity","v":NaN},{"n":"humidity","v":1e999}]`,
			kinds: []payload.Kind{payload.NotANumber, payload.NotANumber, payload.NotANumber}},
		{name: "bad time costs one record", body: `[{"bn":"dev:1/","n":"temperature","t":"x","v":21.5},{"n":"humidity","u":"%RH","v":68}]`,
			want: []payload.Measurement{humidity}, kinds: []payload.Kind{payload.BadTime}},
		{name: "bad base time costs the pack", body: `[{"bt":"x"},` + both + `]`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "absurd time", body: `[{"bn":"dev:1/","n":"temperature","t":1e300,"v":21.5},{"n":"humidity","u":"%RH","v":68}]`,
			want: []payload.Measurement{humidity}, kinds: []payload.Kind{payload.BadTime}},
		{name: "sum only", body: `[{"bn":"dev:1/","n":"temperature","s":21.5},{"n":"humidity","u":"%RH","v":68}]`,
			want: []payload.Measurement{humidity}, kinds: []payload.Kind{payload.Absent}},
		{name: "other sensor", body: `[{"bn":"dev:2/","n":"temperature","v":21.5}]`, kinds: []payload.Kind{payload.Absent, payload.Absent}},
		{name: "no records", body: `[]`, kinds: []payload.Kind{payload.Absent, payload.Absent}},
		{name: "empty", body: ``, kinds: []payload.Kind{payload.Empty}},
		{name: "object", body: both[:strings.Index(both, "}")+1], kinds: []payload.Kind{payload.Undecodable}},
		{name: "cut off", body: `[` + both, kinds: []payload.Kind{payload.Undecodable}},
		{name: "trailing comma", body: `[` + both + `,]`, kinds: []payload.Kind{payload.Undecodable}},
		{name: "invalid UTF-8", body: "[{\"n\":\"\xff\"}]", kinds: []payload.Kind{payload.Undecodable}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got, err := decoder(t, senML(payload.SenML)).Decode("a", []byte(test.body), received)
			if diff := cmp.Diff(test.kinds, kinds(t, err)); diff != "" {
				t.Errorf("kinds (-want +got):\n%s%v", diff, err)
			}
			if diff := cmp.Diff(test.want, got); len(test.want)+len(got) > 0 && diff != "" {
				t.Errorf("measurements (-want +got):\n%s", diff)
			}
		})
	}
}

func TestSenMLCBOR(t *testing.T) {
	record := func(fields map[any]any) map[any]any { return fields }
	tests := []struct {
		name  string
		pack  any
		want  []float64
		kinds []payload.Kind
	}{
		{"integers and floats", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: 21}), record(map[any]any{0: "humidity", 1: "%RH", 2: float32(68)})}, []float64{21, 68}, nil},
		{"negative integer", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: -21}), record(map[any]any{0: "humidity", 2: 1})}, []float64{-21, 100}, nil},
		{"decimal fraction", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: cbor.Tag{Number: 4, Content: []any{-1, 215}}}), record(map[any]any{0: "humidity", 2: 1})}, []float64{21.5, 100}, nil},
		{"huge decimal fraction", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: cbor.Tag{Number: 4, Content: []any{1 << 40, 215}}}), record(map[any]any{0: "humidity", 2: 1})}, []float64{100}, []payload.Kind{payload.NotANumber}},
		{"other tag", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: cbor.Tag{Number: 5, Content: []any{-1, 215}}}), record(map[any]any{0: "humidity", 2: 1})}, []float64{100}, []payload.Kind{payload.NotANumber}},
		{"text and null", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: "21"}), record(map[any]any{0: "humidity", 2: nil})}, nil, []payload.Kind{payload.NotANumber, payload.NotANumber}},
		{"must be understood", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: 21, "x_": 1})}, nil, []payload.Kind{payload.Undecodable}},
		{"may be ignored", []any{record(map[any]any{-2: "dev:1/", 0: "temperature", 2: 21, "x": 1, 99: 2}), record(map[any]any{0: "humidity", 2: 1})}, []float64{21, 100}, nil},
		{"version", []any{record(map[any]any{-1: 11})}, nil, []payload.Kind{payload.Undecodable}},
		{"no array", 21.5, nil, []payload.Kind{payload.Undecodable}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			body, err := cbor.Marshal(test.pack)
			if err != nil {
				t.Fatal(err)
			}
			got, err := decoder(t, senML(payload.SenMLCBOR)).Decode("a", body, received)
			if diff := cmp.Diff(test.kinds, kinds(t, err)); diff != "" {
				t.Errorf("kinds (-want +got):\n%s%v", diff, err)
			}
			var values []float64
			for _, m := range got {
				values = append(values, m.Value)
			}
			if diff := cmp.Diff(test.want, values); diff != "" {
				t.Errorf("values (-want +got):\n%s", diff)
			}
		})
	}
	for name, raw := range map[string]string{
		"repeated key":      "\x81\xa2\x02\x01\x02\x02",
		"four billion":      "\x9a\xff\xff\xff\xff",
		"deep":              strings.Repeat("\x81", 100) + "\x01",
		"trailing bytes":    "\x80\x01",
		"invalid UTF-8":     "\x81\xa1\x00\x61\xff",
		"key that is a map": "\x81\xa1\xa0\x01",
	} {
		if got, err := decoder(t, senML(payload.SenMLCBOR)).Decode("a", []byte(raw), received); err == nil || len(got) > 0 {
			t.Errorf("%s: got %v, %v", name, got, err)
		}
	}
}
