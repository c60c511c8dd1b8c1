package payload_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"testing"
	"unicode/utf8"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// FuzzJSON checks the scanner against encoding/json, which is an independent
// reader of the same grammar: both must agree on what is JSON and on the
// number at a place.
func FuzzJSON(f *testing.F) {
	for _, seed := range []string{
		`{"t":21.5}`, `{"t":"21.5","x":[1,2,{"y":null}]}`, `[{"t":1}]`, `{"t":1,"t":2}`, `{"\u0074":-0.5e-3}`,
		`{"t":NaN}`, `{"t":01}`, `{"t":1.}`, `{"t":1e}`, `{"t":"\ud800"}`, "{\"t\":\"\x00\"}", ` { "t" : 1 } `, `{"t":1}}`, `nul`, `-`,
	} {
		f.Add([]byte(seed))
	}
	d := decoder(f, payload.Spec{Format: payload.JSON, Values: []payload.ValueSpec{value(sensors.Temperature, "/t", "")}})
	f.Fuzz(func(t *testing.T, body []byte) {
		got, err := d.Decode("a", body, received)
		for _, m := range got {
			if math.IsNaN(m.Value) || math.IsInf(m.Value, 0) {
				t.Fatalf("%q: value %g", body, m.Value)
			}
		}
		if (len(got) == 1) == (err != nil) {
			t.Fatalf("%q: measurements %v with error %v", body, got, err)
		}
		if len(body) == 0 || !utf8.Valid(body) || bytes.Contains(body, []byte("NaN")) || bytes.Contains(body, []byte("Infinity")) ||
			bytes.HasPrefix(body, []byte("\ufeff")) || bytes.Count(body, []byte("["))+bytes.Count(body, []byte("{")) > 30 {
			return
		}
		undecodable := err != nil && kinds(t, err)[0] == payload.Undecodable
		if undecodable == json.Valid(body) {
			t.Fatalf("%q: undecodable %t (%v) but encoding/json says valid %t", body, undecodable, err, json.Valid(body))
		}
		var document map[string]json.RawMessage
		if len(got) != 1 || json.Unmarshal(body, &document) != nil {
			return
		}
		raw := bytes.TrimSpace(document["t"])
		if len(raw) > 0 && raw[0] == '"' {
			return
		}
		want, err := strconv.ParseFloat(string(raw), 64)
		if err != nil || got[0].Value != want {
			t.Fatalf("%q: got %g, encoding/json has %s", body, got[0].Value, raw)
		}
	})
}

func FuzzPlain(f *testing.F) {
	for _, seed := range []string{"21.5", " -1e3 ", "NaN", "0x1p-2", "1_0", "1e999", "", "."} {
		f.Add([]byte(seed))
	}
	d := decoder(f, payload.Spec{Format: payload.Plain, Values: []payload.ValueSpec{value(sensors.Temperature, "", "")}})
	f.Fuzz(func(t *testing.T, body []byte) {
		got, err := d.Decode("a", body, received)
		if (len(got) == 1) == (err != nil) {
			t.Fatalf("%q: measurements %v with error %v", body, got, err)
		}
		if len(got) == 0 {
			return
		}
		want, err := strconv.ParseFloat(string(bytes.Trim(body, " \t\r\n\x00")), 64)
		if err != nil || math.IsInf(want, 0) || got[0].Value != want {
			t.Fatalf("%q: got %g, want %g (%v)", body, got[0].Value, want, err)
		}
	})
}
