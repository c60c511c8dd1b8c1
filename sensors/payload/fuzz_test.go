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

// checkDecoded holds for every format: only finite values, of quantities that
// were asked for, and no more of them than the message has bytes.
func checkDecoded(t *testing.T, body []byte, got []payload.Measurement) {
	t.Helper()
	if len(got) > len(body) {
		t.Fatalf("%d measurements out of %d bytes", len(got), len(body))
	}
	for _, m := range got {
		if math.IsNaN(m.Value) || math.IsInf(m.Value, 0) || m.Quantity.Unit() == "" {
			t.Fatalf("%q: measurement %+v", body, m)
		}
		if year := m.Time.Year(); !m.Time.IsZero() && (year < -9999 || year > 20000) {
			t.Fatalf("%q: time %v", body, m.Time)
		}
	}
}

func FuzzSenML(f *testing.F) {
	for _, seed := range []string{
		`[{"bn":"dev:1/","bt":1772366370,"bu":"Cel","n":"temperature","v":21.5},{"n":"humidity","u":"%RH","v":68}]`,
		`[{"bver":10,"x_":1}]`, `[{"v":1,"t":-5},{}]`, `[{"bn":"dev:1/temperature","v":1e308,"bv":1e308}]`, `[`, `[{"n":"\u0064"}]`,
	} {
		f.Add([]byte(seed))
	}
	d := decoder(f, senML(payload.SenML))
	f.Fuzz(func(t *testing.T, body []byte) {
		got, _ := d.Decode("a", body, received)
		checkDecoded(t, body, got)
	})
}

func FuzzSenMLCBOR(f *testing.F) {
	f.Add([]byte("\x82\xa3\x21\x66dev:1/\x00\x6btemperature\x02\x15\xa2\x00\x68humidity\x02\xf9\x3e\x00"))
	f.Add([]byte("\x9f\xa1\x02\xc4\x82\x20\x18\xd7\xff"))
	f.Add([]byte("\x81\xa1\x61_\x01"))
	d := decoder(f, senML(payload.SenMLCBOR))
	f.Fuzz(func(t *testing.T, body []byte) {
		got, _ := d.Decode("a", body, received)
		checkDecoded(t, body, got)
	})
}

func FuzzSparkplug(f *testing.F) {
	kinds := []string{nbirth, dbirth, ddata, ndata, ddeath, ndeath, otherDevice}
	f.Add(byte(0), []byte(born(1)), byte(1), []byte(deviceBorn(1)))
	f.Add(byte(1), []byte(deviceBorn(0)), byte(2), []byte(data(1, byAlias(1, 20.5), untold(byAlias(2, int64(-1))))))
	f.Add(byte(4), []byte(data(1)), byte(5), []byte(dead(1)))
	f.Fuzz(func(t *testing.T, firstKind byte, first []byte, secondKind byte, second []byte) {
		d := decoder(t, sparkplugSpec())
		for _, m := range []struct {
			kind byte
			body []byte
		}{{firstKind, first}, {secondKind, second}, {2, second}} {
			got, _ := d.Decode(kinds[int(m.kind)%len(kinds)], m.body, received)
			checkDecoded(t, m.body, got)
			d.(payload.Converser).Requests(received)
		}
	})
}

func FuzzHomie(f *testing.F) {
	f.Add("air/temperature", []byte("21.5"))
	f.Add("$state", []byte("ready"))
	f.Add("$description", []byte(`{"nodes":{"air":{"properties":{"temperature":{"unit":"°F"}}}}}`))
	f.Add("$description", []byte(`{"nodes":[{"id":"air","properties":[]}]}`))
	f.Fuzz(func(t *testing.T, topic string, body []byte) {
		d := decoder(t, homieSpec("homie/5/device"))
		got, _ := d.Decode("homie/5/device/"+topic, body, received)
		checkDecoded(t, body, got)
	})
}
