package payload_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

func BenchmarkPlain(b *testing.B) {
	d := decoder(b, payload.Spec{Format: payload.Plain, Values: []payload.ValueSpec{value(sensors.Temperature, "", "")}})
	body := []byte("21.53")
	b.ReportAllocs()
	for b.Loop() {
		if got, err := d.Decode("a", body, received); err != nil || len(got) != 1 {
			b.Fatal(got, err)
		}
	}
}

var document = []byte(`{"device":"nursery-north","time":1772366370250,"battery":87,"linkquality":120,"data":{"temperature":21.53,"humidity":68.2,"pressure":1013.2}}`)

func BenchmarkJSON(b *testing.B) {
	d := decoder(b, payload.Spec{Format: payload.JSON, Time: &payload.TimeSpec{At: "/time", Unit: "ms"}, Values: []payload.ValueSpec{
		value(sensors.Temperature, "/data/temperature", ""), value(sensors.RelativeHumidity, "/data/humidity", ""), value(sensors.Battery, "/battery", ""),
	}})
	b.ReportAllocs()
	for b.Loop() {
		if got, err := d.Decode("a", document, received); err != nil || len(got) != 3 {
			b.Fatal(got, err)
		}
	}
}

// BenchmarkTokens and BenchmarkMap are the two ways of the standard library,
// for comparison with the scanner.
func BenchmarkTokens(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		tokens := json.NewDecoder(bytes.NewReader(document))
		n := 0
		for {
			if _, err := tokens.Token(); err != nil {
				break
			}
			n++
		}
		if n < 10 {
			b.Fatal(n)
		}
	}
}

func BenchmarkMap(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		var all map[string]any
		if err := json.Unmarshal(document, &all); err != nil || len(all) != 5 {
			b.Fatal(err)
		}
	}
}
