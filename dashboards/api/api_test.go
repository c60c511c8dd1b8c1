package api_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/api"
	"rearguard/dashboards/dashtest"
)

func handler(t *testing.T, f api.Facility) http.Handler {
	t.Helper()
	h, err := api.New(f, "1.2.3", nil)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func call(h http.Handler, method, path, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func parse(t *testing.T, w *httptest.ResponseRecorder) map[string]any {
	t.Helper()
	var v map[string]any
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatalf("answer %q: %v", w.Body, err)
	}
	return v
}

func TestRoomInBaseUnits(t *testing.T) {
	got := parse(t, call(handler(t, dashtest.New(dashtest.Sample())), http.MethodGet, "/api/v1/rooms/pupae", ""))
	want := map[string]any{
		"id": "pupae", "name": "Pupae cabinet", "blind": false, "temperature_celsius": 24.8, "coldest_celsius": 24.6, "warmest_celsius": 25.0,
		"relative_humidity_ratio": 0.81, "driest_ratio": 0.8, "dampest_ratio": 0.8200000000000001, "vapor_pressure_deficit_pascals": 590.0,
		"dew_point_celsius": 21.3, "updated": "2026-05-14T09:26:09Z", "usable_sensors": 2.0, "total_sensors": 3.0, "limits": []any{},
		"daily_mean_errors": []any{},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("room differs (-want +got):\n%s", diff)
	}
}

func TestBlindRoomAndSilentSensorHaveNoNumbers(t *testing.T) {
	s := dashtest.Sample()
	// An engine that left old values in place must not get them shown.
	s.Rooms[0].Blind = true
	s.Sensors[0].Silent = true
	h := handler(t, dashtest.New(s))
	room := parse(t, call(h, http.MethodGet, "/api/v1/rooms/nursery", ""))
	sensor := parse(t, call(h, http.MethodGet, "/api/v1/sensors/nursery-north", ""))
	for _, v := range []map[string]any{room, sensor} {
		for k := range v {
			if strings.HasSuffix(k, "_celsius") || strings.HasSuffix(k, "_ratio") || strings.HasSuffix(k, "_pascals") {
				t.Errorf("%v still shows %s", v["id"], k)
			}
		}
	}
	if sensor["last_reading"] == nil {
		t.Error("the silent sensor lost the time of its last reading")
	}
}

func TestCommands(t *testing.T) {
	heat := alerts.Key{Condition: "heat", Room: "nursery"}
	now := dashtest.Now()
	tests := []struct {
		name, path, body string
		want             fold.Command
	}{
		{"going", "/alarms/going", `{"key":{"condition":"heat","room":"nursery"},"who":"Ines"}`, fold.Order{Verb: alerts.Going, Key: heat, Who: "Ines", Incident: true}},
		{"acknowledge", "/alarms/acknowledge", `{"key":{"condition":"heat","room":"nursery"},"who":" Ines "}`, fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "Ines", Incident: true}},
		{
			"shelve", "/alarms/shelve", `{"key":{"condition":"heat","room":"nursery"},"who":"Ines","for_seconds":3600,"reason":"cleaning"}`,
			fold.Order{Verb: alerts.Shelve, Key: heat, Who: "Ines", For: time.Hour, Reason: "cleaning"},
		},
		{
			"unshelve", "/alarms/unshelve", `{"key":{"condition":"damp","room":"pupae"},"who":"Ines"}`,
			fold.Order{Verb: alerts.Unshelve, Key: alerts.Key{Condition: "damp", Room: "pupae"}, Who: "Ines"},
		},
		{
			"add", "/cohorts", `{"id":"dp-0514","species":"danaus-plexippus","room":"nursery","individuals":60,"who":"Ines"}`,
			fold.AddCohort{Who: "Ines", Cohort: population.Cohort{
				ID: "dp-0514", Species: "danaus-plexippus", Start: now, StartStage: "egg", Individuals: 60,
				Placements: []population.Placement{{Room: "nursery", From: now}},
			}},
		},
		{
			"move", "/cohorts/dp-0412/move", `{"room":"glasshouse","at":"2026-05-14T11:00:00+02:00","who":"Ines"}`,
			fold.MoveCohort{Cohort: "dp-0412", Room: "glasshouse", At: now.Truncate(time.Hour), Who: "Ines"},
		},
		{"end", "/cohorts/pb-190/end", `{"who":"Ines"}`, fold.EndCohort{Cohort: "pb-190", At: now, Who: "Ines"}},
		{
			"count", "/cohorts/dp-0412/counts", `{"stage":"larva-4","seen":40,"of":52,"lost":1,"cause":"stuck skin","who":"Ines"}`,
			fold.RecordCount{Count: population.Count{Cohort: "dp-0412", Time: now, Stage: "larva-4", Seen: 40, Of: 52, Lost: 1, Cause: "stuck skin", By: "Ines"}},
		},
		{"undo", "/cohorts/dp-0412/counts/7/undo", `{"who":"Ines"}`, fold.UndoCount{Count: 7, Who: "Ines"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := dashtest.New(dashtest.Sample())
			w := call(handler(t, f), http.MethodPost, "/api/v1"+tt.path, tt.body)
			if w.Code != http.StatusOK {
				t.Fatalf("status %d: %s", w.Code, w.Body)
			}
			if diff := cmp.Diff([]fold.Command{tt.want}, f.Commands()); diff != "" {
				t.Errorf("commands differ (-want +got):\n%s", diff)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	key := `"key":{"condition":"heat","room":"nursery"}`
	tests := []struct {
		name, path, body string
		status           int
		field            string
	}{
		{"no name", "/alarms/acknowledge", `{` + key + `,"who":"  "}`, 422, "who"},
		{"control character", "/alarms/acknowledge", `{` + key + `,"who":"a\u0000b"}`, 422, "who"},
		{"unknown alarm", "/alarms/acknowledge", `{"key":{"condition":"cold","room":"nursery"},"who":"x"}`, 404, ""},
		{"unknown key", "/alarms/acknowledge", `{` + key + `,"who":"x","force":true}`, 400, ""},
		{"not JSON", "/alarms/acknowledge", `who=x`, 400, ""},
		{"two values", "/alarms/acknowledge", `{` + key + `,"who":"x"}{}`, 400, ""},
		{"too large", "/alarms/acknowledge", `{"who":"` + strings.Repeat("x", 70000) + `"}`, 413, ""},
		{"no reason", "/alarms/shelve", `{` + key + `,"who":"x","for_seconds":60}`, 422, "reason"},
		{"too long", "/alarms/shelve", `{` + key + `,"who":"x","for_seconds":86401,"reason":"y"}`, 422, "for"},
		{"huge length", "/alarms/shelve", `{` + key + `,"who":"x","for_seconds":1e300,"reason":"y"}`, 422, "for"},
		{"future", "/cohorts/dp-0412/end", `{"who":"x","at":"2026-05-15T00:00:00Z"}`, 422, "at"},
		{"before start", "/cohorts/dp-0412/end", `{"who":"x","at":"2026-04-01T00:00:00Z"}`, 422, "at"},
		{"same room", "/cohorts/dp-0412/move", `{"who":"x","room":"nursery"}`, 422, "room"},
		{"unknown cohort", "/cohorts/none/end", `{"who":"x"}`, 404, ""},
		{"unknown stage", "/cohorts/dp-0412/counts", `{"who":"x","stage":"imago","seen":1}`, 422, "stage"},
		{"more than looked at", "/cohorts/dp-0412/counts", `{"who":"x","stage":"pupa","seen":9,"of":8}`, 422, "of"},
		{"negative", "/cohorts/dp-0412/counts", `{"who":"x","stage":"pupa","seen":-1}`, 422, "seen"},
		{"empty count", "/cohorts/dp-0412/counts", `{"who":"x","stage":"pupa","seen":0}`, 422, "seen"},
		{"undone already", "/cohorts/dp-0412/counts/5/undo", `{"who":"x"}`, 404, ""},
		{"not a number", "/cohorts/dp-0412/counts/x/undo", `{"who":"x"}`, 422, "count"},
		{"taken", "/cohorts", `{"id":"dp-0412","species":"danaus-plexippus","room":"nursery","individuals":1,"who":"x"}`, 422, "id"},
		{"bad name", "/cohorts", `{"id":"../x","species":"danaus-plexippus","room":"nursery","individuals":1,"who":"x"}`, 422, "id"},
		{"no animals", "/cohorts", `{"id":"a","species":"danaus-plexippus","room":"nursery","individuals":0,"who":"x"}`, 422, "individuals"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := dashtest.New(dashtest.Sample())
			w := call(handler(t, f), http.MethodPost, "/api/v1"+tt.path, tt.body)
			if w.Code != tt.status || w.Header().Get("Content-Type") != "application/problem+json" {
				t.Fatalf("status %d, type %s: %s", w.Code, w.Header().Get("Content-Type"), w.Body)
			}
			p := parse(t, w)
			if field, _ := p["field"].(string); field != tt.field || p["detail"] == "" {
				t.Errorf("problem %v, want field %q", p, tt.field)
			}
			if n := len(f.Commands()); n != 0 {
				t.Errorf("%d commands were given all the same", n)
			}
		})
	}
}

func TestRefusedByEngine(t *testing.T) {
	f := dashtest.New(dashtest.Sample())
	for _, tt := range []struct {
		err    error
		status int
		detail string
	}{
		{fmt.Errorf("%w: the cohort ended already", fold.ErrRefused), 422, "the cohort ended already"},
		{errors.New("disk is full"), 500, "the command could not be stored: disk is full"},
		{daemon.ErrStopped, 503, "rearguard is stopping; the command was not stored"},
	} {
		f.Refuse(tt.err)
		w := call(handler(t, f), http.MethodPost, "/api/v1/cohorts/pb-190/end", `{"who":"x"}`)
		if w.Code != tt.status || parse(t, w)["detail"] != tt.detail {
			t.Errorf("%v: status %d: %s", tt.err, w.Code, w.Body)
		}
	}
}

func TestStarting(t *testing.T) {
	f := dashtest.New(nil)
	if w := call(handler(t, f), http.MethodGet, "/api/v1/rooms", ""); w.Code != 503 {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	w := httptest.NewRecorder()
	api.Ready(f, nil).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/readyz", http.NoBody))
	if w.Code != 503 {
		t.Errorf("readyz: status %d: %s", w.Code, w.Body)
	}
}

func TestReady(t *testing.T) {
	for _, tt := range []struct {
		name     string
		snapshot *snapshot.Snapshot
		status   int
		reason   string
	}{
		{"well", dashtest.Sample(), 200, ""},
		{"broken", dashtest.Ugly(), 503, "connection refused"},
	} {
		w := httptest.NewRecorder()
		api.Ready(dashtest.New(tt.snapshot), nil).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/readyz", http.NoBody))
		if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.reason) {
			t.Errorf("%s: status %d: %s", tt.name, w.Code, w.Body)
		}
	}
}

// TestAnswersMatchDescription checks every list and object that the API gives
// against the schema it publishes: no key undescribed, none required missing.
func TestAnswersMatchDescription(t *testing.T) {
	for name, s := range map[string]*snapshot.Snapshot{"sample": dashtest.Sample(), "ugly": dashtest.Ugly(), "empty": dashtest.Empty()} {
		h := handler(t, dashtest.New(s))
		doc := parse(t, call(h, http.MethodGet, "/api/v1/openapi.json", ""))
		for path, item := range doc["paths"].(map[string]any) {
			get, ok := item.(map[string]any)["get"].(map[string]any)
			if !ok || strings.Contains(path, "{") {
				continue
			}
			w := call(h, http.MethodGet, path, "")
			var v any
			if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
				t.Fatal(err)
			}
			schema := get["responses"].(map[string]any)["200"].(map[string]any)["content"].(map[string]any)["application/json"].(map[string]any)["schema"]
			checkSchema(t, name+" "+path, v, schema.(map[string]any), doc)
		}
	}
}

func checkSchema(t *testing.T, at string, v any, schema, doc map[string]any) {
	t.Helper()
	if ref, ok := schema["$ref"].(string); ok {
		name := strings.TrimPrefix(ref, "#/components/schemas/")
		schema = doc["components"].(map[string]any)["schemas"].(map[string]any)[name].(map[string]any)
	}
	switch schema["type"] {
	case "array":
		list, ok := v.([]any)
		if !ok {
			t.Errorf("%s: %T is no list", at, v)
		}
		for _, x := range list {
			checkSchema(t, at+"[]", x, schema["items"].(map[string]any), doc)
		}
	case "object":
		properties := schema["properties"].(map[string]any)
		values, ok := v.(map[string]any)
		if !ok {
			t.Errorf("%s: %T is no object", at, v)
			return
		}
		for k, x := range values {
			p, ok := properties[k].(map[string]any)
			if !ok {
				t.Errorf("%s: key %s is not described", at, k)
				continue
			}
			checkSchema(t, at+"."+k, x, p, doc)
		}
		for _, k := range schema["required"].([]any) {
			if _, ok := values[k.(string)]; !ok {
				t.Errorf("%s: required key %s is missing", at, k)
			}
		}
	case "string", "number", "integer", "boolean":
		kinds := map[string][]string{"string": {"string"}, "number": {"float64"}, "integer": {"float64"}, "boolean": {"bool"}}
		kind := strings.TrimPrefix(strings.TrimPrefix(typeName(v), "*"), " ")
		if !slices.Contains(kinds[schema["type"].(string)], kind) {
			t.Errorf("%s: %s is no %s", at, kind, schema["type"])
		}
	}
}

func typeName(v any) string {
	switch v.(type) {
	case string:
		return "string"
	case float64:
		return "float64"
	case bool:
		return "bool"
	}
	return "other"
}

func TestKeysAreSnakeCaseWithUnits(t *testing.T) {
	doc := parse(t, call(handler(t, dashtest.New(dashtest.Sample())), http.MethodGet, "/api/v1/openapi.json", ""))
	snake := regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	unit := regexp.MustCompile(`_(celsius|ratio|pascals|seconds|degree_days|dbm|millimeters|animals)$`)
	// Values beside their own unit key, and shares named as what they are.
	plain := map[string]bool{"value": true, "value_then": true, "value_now": true, "limit": true, "dose": true, "ratio": true}
	for name, schema := range doc["components"].(map[string]any)["schemas"].(map[string]any) {
		for key, p := range schema.(map[string]any)["properties"].(map[string]any) {
			if !snake.MatchString(key) {
				t.Errorf("%s.%s is not snake_case", name, key)
			}
			if p.(map[string]any)["type"] == "number" && !unit.MatchString(key) && !plain[key] {
				t.Errorf("%s.%s is a number without a unit", name, key)
			}
		}
	}
}

// What has a unit is declared a number, never an integer, so that a client
// that goes by the description does not change its mind at 27 °C.
func TestComplaint10UnitsAreDeclaredNumbers(t *testing.T) {
	doc := parse(t, call(handler(t, dashtest.New(dashtest.Sample())), http.MethodGet, "/api/v1/openapi.json", ""))
	unit := regexp.MustCompile(`(_(celsius|ratio|pascals|seconds|degree_days|dbm|millimeters)|^value|^limit)$`)
	n := 0
	for name, schema := range doc["components"].(map[string]any)["schemas"].(map[string]any) {
		for key, p := range schema.(map[string]any)["properties"].(map[string]any) {
			if !unit.MatchString(key) {
				continue
			}
			n++
			if kind := p.(map[string]any)["type"]; kind != "number" {
				t.Errorf("%s.%s is declared %v, want a number", name, key, kind)
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d keys with a unit were found", n)
	}
}

// TestDescriptionIsValidOpenAPI asks a validator from npm, pinned, with the
// OpenAPI 3.1 schema of the OpenAPI Initiative.
func TestDescriptionIsValidOpenAPI(t *testing.T) {
	npm, err := exec.LookPath("npm")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("npm is missing: install npm (apt-get install npm)")
		}
		t.Skip("npm is missing: install npm (apt-get install npm)")
	}
	dir := t.TempDir()
	install := exec.CommandContext(t.Context(), npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--silent",
		"--prefix", dir, "@seriousme/openapi-schema-validator@2.9.0")
	if out, err := install.CombinedOutput(); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("npm install: %v\n%s", err, out)
		}
		t.Skipf("the validator cannot be installed: %v\n%s", err, out)
	}
	w := call(handler(t, dashtest.New(dashtest.Sample())), http.MethodGet, "/api/v1/openapi.json", "")
	if err := os.WriteFile(filepath.Join(dir, "openapi.json"), w.Body.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	script := `import { Validator } from "@seriousme/openapi-schema-validator";
const v = new Validator(); const r = await v.validate("./openapi.json");
console.log(v.version, JSON.stringify(r.errors ?? [])); process.exit(r.valid ? 0 : 1);`
	if err := os.WriteFile(filepath.Join(dir, "check.mjs"), []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	node := exec.CommandContext(t.Context(), "node", "check.mjs")
	node.Dir = dir
	out, err := node.CombinedOutput()
	if err != nil || !strings.HasPrefix(string(out), "3.1") {
		t.Errorf("validator: %v\n%s", err, out)
	}
}
