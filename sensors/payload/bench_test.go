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

func BenchmarkSenML(b *testing.B) {
	body := []byte(`[{"bn":"dev:1/","bt":1772366370,"bu":"Cel","n":"temperature","v":21.5},{"n":"humidity","u":"%RH","v":68}]`)
	benchmark(b, senML(payload.SenML), "a", body, 2)
}

func BenchmarkSparkplug(b *testing.B) {
	body := []byte(data(0, metricB{Name: "Air/Temperature", Type: "Float", Value: 21.3}, metricB{Name: "Air/Humidity", Type: "Int16", Value: int64(68)}))
	benchmark(b, sparkplugSpec(), ddata, body, 2)
}

func benchmark(b *testing.B, spec payload.Spec, topic string, body []byte, n int) {
	d := decoder(b, spec)
	b.ReportAllocs()
	for b.Loop() {
		if got, err := d.Decode(topic, body, received); err != nil || len(got) != n {
			b.Fatal(got, err)
		}
	}
}
