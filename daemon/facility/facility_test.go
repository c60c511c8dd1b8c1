package facility_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/roster"
	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
	"rearguard/sensors"
)

const samplePath = "../../deploy/examples/facility.yaml"

func loadSample(t *testing.T) *facility.Facility {
	t.Helper()
	for _, name := range []string{"REARGUARD_BROKER_PASSWORD", "REARGUARD_MAIL_PASSWORD", "REARGUARD_HOOK_SECRET"} {
		t.Setenv(name, "value of "+name)
	}
	f, err := facility.Load(samplePath)
	if err != nil {
		t.Fatalf("the sample file has faults:\n%v", err)
	}
	return f
}

func TestSampleFileIsGoodAndComplete(t *testing.T) {
	f := loadSample(t)
	if f.Site.Name != "Invented Moth House" || f.Site.Location.String() != "Europe/Madrid" || f.Site.AltitudeM != 640 {
		t.Errorf("site = %+v", f.Site)
	}
	if got, want := f.Records.Path, filepath.Join(filepath.Dir(samplePath), "rearguard.db"); got != want {
		t.Errorf("records path = %q, want %q", got, want)
	}
	if got := *f.Rooms[0].Limits.HeatCelsius; got != 31 {
		t.Errorf("heat limit of the nursery = %v, want its own 31", got)
	}
	if f.Rooms[1].Limits.HeatCelsius != nil || *f.Limits.HeatCelsius != 35 {
		t.Errorf("heat limits of the larva hall = %v and of the facility = %v, want none of its own and 35", f.Rooms[1].Limits.HeatCelsius, *f.Limits.HeatCelsius)
	}
	if got := f.Rooms[2].Limits.DryingAfter; got != 20*time.Minute {
		t.Errorf("drying after = %v, want 20m", got)
	}
	want := []string{"site/nursery/north", "site/larva-hall/east/temperature", "site/larva-hall/east/humidity", "site/emergence/probes", "site/outdoor"}
	if diff := cmp.Diff(want, f.Topics()); diff != "" {
		t.Errorf("topics (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(facility.Value{Quantity: sensors.Temperature, Unit: "°F"}, f.Sensors[1].Inputs[0].Values[0]); diff != "" {
		t.Errorf("value (-want +got):\n%s", diff)
	}
	week := f.Called().Lines[0]
	if week.Turns != roster.Weekly || week.From.String() != "2026-06-01" || week.HandsOver != (roster.Handover{Day: time.Monday, At: 7 * 60}) {
		t.Errorf("weeks on call: %+v", week)
	}
	if got := f.Called().Lines[1].Quiet; len(got) != 1 || got[alerts.Medium] != (roster.Hours{From: 21 * 60, To: 6 * 60}) {
		t.Errorf("quiet hours: %+v", got)
	}
	if got := f.Incidents.EscalateAfter; got != facility.Defaults().Incidents.EscalateAfter {
		t.Errorf("escalate after %+v", got)
	}
	if got := *f.Alarms["heat"].Deadband(); got != 0.5 {
		t.Errorf("deadband of heat = %v, want 0.5", got)
	}
	if password, err := f.Broker.Password().Read(); err != nil || password != "value of REARGUARD_BROKER_PASSWORD" {
		t.Errorf("broker password = %q, %v", password, err)
	}
}

// base is the least that is good; tests add to it or spoil it.
const base = `facility: {name: Test}
broker: {address: "tcp://127.0.0.1", client_id: t}
rooms:
  - id: a
  - id: b
`

func TestLeastFileTakesDefaults(t *testing.T) {
	f, err := facility.Parse("x.yaml", []byte(base))
	if err != nil {
		t.Fatal(err)
	}
	want := facility.Defaults()
	if f.Broker.Address != "tcp://127.0.0.1:1883" || f.Site.Location != time.UTC || f.Records.Path != "rearguard.db" ||
		f.Ingest != want.Ingest || f.Web.Listen != want.Web.Listen || f.Rooms[0].Name != "a" {
		t.Errorf("defaults not filled in: %+v", f)
	}
}

func TestEachFaultIsFound(t *testing.T) {
	sensor := func(inputs string) string { return base + "sensors:\n- id: s\n  room: a\n  inputs:\n" + inputs }
	tests := []struct {
		name, text string
		line, col  int
		problem    string
		advice     string
	}{
		{"unknown key", base + "roms: []\n", 6, 1, "unknown key roms", "did you mean rooms?"},
		{"unknown key far from all", base + "zzzzzzzzz: 1\n", 6, 1, "unknown key zzzzzzzzz", "known here: alarms"},
		{"wrong unit in key", base + "limits:\n  heat_fahrenheit: 95\n", 7, 3, "wrong unit: heat_fahrenheit", "give the value in celsius as heat_celsius"},
		{"unit left out of key", base + "limits:\n  heat: 35\n", 7, 3, "wrong unit: heat", "as heat_celsius"},
		{"unit in value", base + "limits:\n  heat_celsius: 35 °C\n", 7, 17, `"35 °C" is a number with a unit`, "the key says the unit: celsius"},
		{"decimal comma", base + "limits:\n  heat_celsius: 35,5\n", 7, 17, `"35,5" is not a number`, "decimal point"},
		{"number in quotes", base + "limits:\n  heat_celsius: \"35\"\n", 7, 17, `"35" is not a number`, "without quotes"},
		{"impossible value", base + "limits: {heat_celsius: 350}\n", 6, 24, "350 is impossible for limits.heat_celsius", "from -20 to 60"},
		{"not a number", base + "limits: {heat_celsius: .nan}\n", 6, 24, "infinity or not-a-number", "write a number"},
		{"infinity", base + "limits: {heat_celsius: .inf}\n", 6, 24, "infinity or not-a-number", "write a number"},
		{"overflow", base + "limits: {heat_celsius: 1e999}\n", 6, 24, "1e999 is not a number that can be used", "decimal digits"},
		{"heat below chill", base + "limits: {heat_celsius: 10, chill_celsius: 20}\n", 6, 9, "heat_celsius 10 is not above chill_celsius 20", "correct one"},
		{"room's heat below the facility's chill", "limits: {chill_celsius: 20}\n" + strings.Replace(base, "id: a", "id: a\n    limits: {heat_celsius: 15}", 1), 6, 13, "heat_celsius 15 is not above chill_celsius 20", ""},
		{"duration without unit", base + "ingest: {gap_limit: 6}\n", 6, 21, "the duration 6 has no unit", "write for example 6s, 6m or 6h"},
		{"duration in days", base + "ingest: {age_limit: 30d}\n", 6, 21, `"30d" is not a duration`, "write 720h"},
		{"duration impossible", base + "ingest: {gap_limit: -6h}\n", 6, 21, "-6h is impossible", "from 1m to 168h"},
		{"time zone", "facility: {name: T, timezone: Europe/Atlantis}\n" + strings.TrimPrefix(base, "facility: {name: Test}\n"), 1, 31, `"Europe/Atlantis" is not a time zone`, "IANA"},
		{"missing section", strings.Replace(base, "facility: {name: Test}\n", "", 1), 1, 1, "the key facility is missing", "add facility:"},
		{"missing key", strings.Replace(base, "{name: Test}", "{altitude_m: 3}", 1), 1, 11, "the key name is missing", "add name: to facility"},
		{"key twice", base + "limits: {heat_celsius: 30, heat_celsius: 31}\n", 6, 28, "the key heat_celsius stands twice", "already on line 6"},
		{"value missing", base + "people:\n", 6, 8, "the value is missing", "or remove the key"},
		{"list wanted", base + "people: {id: x}\n", 6, 9, "people must be a list, not keys with values", "dash"},
		{"mapping wanted", base + "web: [1]\n", 6, 6, "web must hold keys with values, not a list", "indent"},
		{"duplicate room", base + "  - id: a\n", 6, 9, "the id a stands twice in rooms", "already on line 4"},
		{"id with a space", base + "  - id: Big Room\n", 6, 9, `"Big Room" cannot be an id`, "lower-case"},
		{"no rooms", strings.SplitAfter(base, "rooms:")[0] + " []\n", 3, 8, "rooms is empty", "at least one"},
		{"anchor", base + "web: &w {listen: \":1\"}\n", 6, 6, "anchors, aliases and tags", "write the value out"},
		{"merge key", base + "web: {<<: 1}\n", 6, 7, "merge keys", "write the keys out"},
		{"password inline", strings.Replace(base, "client_id: t", "client_id: t, username: u, password: p", 1), 2, 65, "a password is never written into this file", "password_file"},
		{"password twice", strings.Replace(base, "client_id: t", "client_id: t, username: u, password_env: A, password_file: f", 1), 2, 79, "both password_file and password_env", "keep one"},
		{"password in address", strings.Replace(base, "tcp://", "tcp://u:p@", 1), 2, 19, "holds a username or password", "password_file"},
		{"scheme", strings.Replace(base, "tcp://", "mqtts://", 1), 2, 19, "mqtts:// is not supported", "write tls://127.0.0.1"},
		{"certificate without TLS", strings.Replace(base, "client_id: t", "client_id: t, ca_file: x", 1), 2, 61, "ca_file has no use with tcp://", "tls://"},
		{"filter", strings.Replace(base, "client_id: t", `client_id: t, discover: ["a/#/b"]`, 1), 2, 63, "# must be the last level", "site/#"},
		{"port", strings.Replace(base, "127.0.0.1", "127.0.0.1:99999", 1), 2, 19, "99999 is not a port", "65535"},
		{"unknown room", sensor("  - {topic: t, format: plain, values: [{quantity: temperature, unit: K}]}\n") + "- id: s2\n  room: c\n  inputs: [{topic: t2, format: plain, values: [{quantity: temperature, unit: K}]}]\n", 12, 9, `unknown room "c"`, "a, b"},
		{"topic with wildcard", sensor("  - {topic: t/+, format: plain, values: [{quantity: temperature, unit: K}]}\n"), 10, 13, "wildcards", "the one topic"},
		{"unknown quantity", sensor("  - {topic: t, format: plain, values: [{quantity: temprature, unit: K}]}\n"), 10, 51, `unknown quantity "temprature"`, "did you mean temperature?"},
		{"unit of another quantity", sensor("  - {topic: t, format: plain, values: [{quantity: humidity, unit: °C}]}\n"), 10, 67, `unknown unit "°C" for humidity`, `"%" or "ratio"`},
		{"unit missing", sensor("  - {topic: t, format: plain, values: [{quantity: temperature}]}\n"), 10, 40, "the unit of the temperature is missing", `"°C" or "°F"`},
		{"unknown format", sensor("  - {topic: t, format: jsn, values: [{quantity: temperature, unit: K}]}\n"), 10, 24, `unknown format "jsn"`, "did you mean json?"},
		{"not a pointer", sensor("  - {topic: t, format: json, values: [{quantity: temperature, at: a.b, unit: K}]}\n"), 10, 67, "", "JSON pointer"},
		{"plain with time", sensor("  - {topic: t, format: plain, time: {at: /t, unit: s}, values: [{quantity: temperature, unit: K}]}\n"), 10, 37, "carries no time", ""},
		{"time unit", sensor("  - {topic: t, format: json, time: {at: /t, unit: sec}, values: [{quantity: temperature, at: /x, unit: K}]}\n"), 10, 51, `unknown time unit "sec"`, ""},
		{"same data twice", sensor("  - {topic: t, format: json, values: [{quantity: temperature, at: /x, unit: K}]}\n") + "- id: s2\n  inputs: [{topic: t, format: json, values: [{quantity: temperature, at: /x, unit: K}]}]\n", 12, 46, `the value at "/x" of topic t is claimed twice`, "line 10 claims it too"},
		{"two sensors on one plain topic", sensor("  - {topic: t, format: plain, values: [{quantity: temperature, unit: K}]}\n") + "- id: s2\n  inputs: [{topic: t, format: plain, values: [{quantity: temperature, unit: K}]}]\n", 12, 47, "the value of topic t is claimed twice", "line 10"},
		{"two formats on one topic", sensor("  - {topic: t, format: plain, values: [{quantity: temperature, unit: K}]}\n") + "- id: s2\n  inputs: [{topic: t, format: json, values: [{quantity: temperature, at: /x, unit: K}]}]\n", 12, 31, "is read as plain elsewhere", "one topic has one format"},
		{"on change and nothing to tell that it lives", sensor("  - {topic: t, format: plain, values: [{quantity: temperature, unit: K}]}\n") + "  reports: on-change\n", 11, 12, "nothing would tell that this sensor has died", "add availability:"},
		{"unknown way to report", sensor("  - {topic: t, format: plain, values: [{quantity: temperature, unit: K}]}\n") + "  reports: sometimes\n", 11, 12, `"sometimes" is not possible here`, "on-change"},
		{"two sources of one series", sensor("  - {topic: t, format: plain, values: [{quantity: temperature, unit: K}]}\n  - {topic: u, format: plain, values: [{quantity: temperature, unit: K}]}\n"), 11, 40, "the temperature of sensor s has two sources", "line 10 is the other"},
		{"own availability topic", sensor("  - {topic: rearguard/availability, format: plain, values: [{quantity: temperature, unit: K}]}\n"), 10, 13, "own availability topic", ""},
		{"e-mail address", base + "people: [{id: p, name: P, email: p at home}]\n", 6, 34, `"p at home" is not an e-mail address`, "lead@example.org"},
		{"webhook without secret", base + "channels: [{id: h, kind: webhook, url: \"https://h\"}]\n", 6, 12, "needs a secret", "secret_file"},
		{"webhook address", base + "channels: [{id: h, kind: webhook, url: ftp://h, secret_env: S}]\n", 6, 40, "not a web address", "https://"},
		{"e-mail without smtp", base + "channels: [{id: m, kind: email}]\n", 6, 12, "needs smtp", "add smtp:"},
		{"unknown kind", base + "channels: [{id: m, kind: pigeon}]\n", 6, 26, `"pigeon" is not possible here`, "email, webhook, push"},
		{"password without TLS", base + "channels: [{id: m, kind: email, smtp: {host: h, from: a@b.c, tls: none, username: u, password_env: P}}]\n", 6, 67, "readable by all", "starttls"},
		{"unknown person", base + "people: [{id: lead, name: L}]\nchannels: [{id: h, kind: webhook, url: \"https://h\", secret_env: S}]\nroster: [{who: [led], channels: [h]}]\n", 8, 17, `unknown person "led"`, "did you mean lead?"},
		{"unknown channel", base + "people: [{id: lead, name: L}]\nroster: [{who: [lead], channels: [h]}]\n", 7, 35, `unknown channel "h"`, "no channel is defined"},
		{"person without address", base + "people: [{id: lead, name: L}]\nchannels: [{id: m, kind: email, smtp: {host: h, from: a@b.c}}]\nroster: [{who: [lead], channels: [m]}]\n", 8, 17, "lead is to be told by e-mail and has no address", "add email:"},
		{"unknown priority", base + "people: [{id: lead, name: L}]\nroster: [{who: [lead], channels: [], priorities: [urgent]}]\n", 7, 51, `unknown priority "urgent"`, "low, medium, high, critical"},
		{"unknown condition", base + "alarms: {heet: {on_delay: 1m}}\n", 6, 10, "unknown condition heet", "did you mean heat?"},
		{"deadband in another unit", base + "alarms: {heat: {deadband_percent: 1}}\n", 6, 35, "the deadband of heat is not in percent", "deadband_celsius"},
		{"deadband of a condition without one", base + "alarms: {broker_lost: {deadband_percent: 1}}\n", 6, 42, "the deadband of broker_lost is not in percent", "remove it"},
		{"repeated too soon", base + "alarms: {heat: {repeat: [5m, 30s]}}\n", 6, 30, "alarms.heat.repeat[1]", "1m"},
		{"open to everybody", base + "web: {listen: \"0.0.0.0:8080\"}\n", 6, 15, "lets everybody on the network", "web.proxies"},
		{"open to everybody by no host", base + "web: {listen: \":8080\"}\n", 6, 15, "lets everybody on the network", "127.0.0.1"},
		{"proxy without address", base + "web: {listen: \"0.0.0.0:8080\", proxies: [proxy]}\n", 6, 41, "not an address", "192.0.2.10"},
		{"host with a scheme", base + "web: {hosts: [\"http://a\"]}\n", 6, 15, "not the name of a host", "name only"},
		{"tab", base + "web:\n\tlisten: x\n", 7, 0, "this is not YAML", "indentation"},
		{"open bracket", base + "web: {listen: x\n", 6, 6, "this is not YAML", "brackets"},
		{"two documents", base + "---\na: 1\n", 7, 1, "second YAML document", "---"},
		{"empty", "", 1, 1, "the file is empty", "sample"},
		{"only a word", "hello\n", 1, 1, "does not start with a key", "facility:"},
		{"not UTF-8", base + "web: {listen: \"\xff\"}\n", 6, 16, "not UTF-8", "UTF-8"},
		{"deep nesting", base + "web: " + strings.Repeat("[", 100), 6, 70, "nested too deeply", "close"},
		{"long line", base + "# " + strings.Repeat("x", 5000), 6, 1, "longer than 4096 bytes", "break"},
		{"large file", base + strings.Repeat("# x\n", 300_000), 1, 1, "larger than", "right file"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			wantFault(t, tt.text, tt.line, tt.col, tt.problem, tt.advice)
		})
	}
}

// wantFault wants a fault with the words at a place of a text, in any column for
// column 0.
func wantFault(t *testing.T, text string, line, column int, problem, advice string) {
	t.Helper()
	_, err := facility.Parse("x.yaml", []byte(text))
	var faults strict.Faults
	if !errors.As(err, &faults) {
		t.Fatalf("error = %v, want Faults", err)
	}
	for _, f := range faults {
		if f.Line == line && (column == 0 || f.Column == column) && strings.Contains(f.Problem, problem) && strings.Contains(f.Advice, advice) {
			return
		}
	}
	t.Errorf("no fault at %d:%d with %q, advice %q; got\n%v", line, column, problem, advice, err)
}

func TestAllFaultsComeTogetherInOrder(t *testing.T) {
	text := strings.Replace(base, "name: Test", "nam: Test", 1) + "limits: {heat_celsius: hot}\r\nweb:\n  # about the pages\n  listn: x\n  public_url: nowhere\nwww: 1\n"
	_, err := facility.Parse("site/facility.yaml", []byte(text))
	want := strings.TrimPrefix(`
site/facility.yaml:1:11: the key name is missing (in facility)
     1 | facility: {nam: Test}
       |           ^
         add name: to facility
site/facility.yaml:1:12: unknown key nam (in facility)
     1 | facility: {nam: Test}
       |            ^
         did you mean name?
site/facility.yaml:6:24: "hot" is not a number (in limits.heat_celsius)
     6 | limits: {heat_celsius: hot}
       |                        ^
         write a number with a decimal point and without quotes
site/facility.yaml:9:3: unknown key listn (in web)
     9 |   listn: x
       |   ^
         did you mean listen?
site/facility.yaml:10:15: "nowhere" is not a web address (in web.public_url)
    10 |   public_url: nowhere
       |               ^
         write for example https://rearguard.example.org
site/facility.yaml:11:1: unknown key www
    11 | www: 1
       | ^
         did you mean web?`, "\n")
	if diff := cmp.Diff(want, fmt.Sprint(err)); diff != "" {
		t.Errorf("report (-want +got):\n%s", diff)
	}
}

func TestSpeciesSectionKeepsItsPlace(t *testing.T) {
	tests := map[string]struct{ text, want string }{
		"block": {
			base + "species:\n  # own moth\n  moth: {x: 1}\nweb: {listen: \"127.0.0.1:1\"}\n",
			"x.yaml:8:3: species must be a list, not keys with values (in species)\n     8 |   moth: {x: 1}\n       |   ^\n         start every entry on a line of its own with a dash",
		},
		"on one line": {
			base + "species: {moth: 1}\n",
			"x.yaml:6:10: species must be a list, not keys with values (in species)\n     6 | species: {moth: 1}\n       |          ^\n         start every entry on a line of its own with a dash",
		},
		"empty": {base + "species:\n", ""},
		"none":  {base, ""},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			f, err := facility.Parse("x.yaml", []byte(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if tt.want == "" {
				if f.Species != nil {
					t.Error("species found where there are none")
				}
				return
			}
			var entries []struct{}
			got := fmt.Sprint(strict.Kind{Path: "species"}.ReadPart(f.Species, &entries).Err())
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("fault (-want +got):\n%s", diff)
			}
		})
	}
}

func TestLoadChecksWhatTheFileNames(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("empty", "\n")
	write("good", "s3cret\r\n")
	write("no.pem", "hello")
	text := strings.Replace(base, "client_id: t", "client_id: t, username: u, password_file: %s, ca_file: %s", 1)
	text = strings.Replace(text, "tcp:", "tls:", 1)
	tests := []struct{ name, secret, ca, problem string }{
		{"absent secret", "absent", "no.pem", "no such file"},
		{"empty secret", "empty", "no.pem", "is empty"},
		{"folder as secret", ".", "no.pem", "is not a file"},
		{"device as secret", "/dev/zero", "no.pem", "is not a file"},
		{"no certificate", "good", "no.pem", "no.pem holds none"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			write("facility.yaml", fmt.Sprintf(text, tt.secret, tt.ca))
			_, err := facility.Load(filepath.Join(folder, "facility.yaml"))
			var faults strict.Faults
			if !errors.As(err, &faults) || !strings.Contains(err.Error(), tt.problem) || faults[0].Line != 2 {
				t.Errorf("error = %v, want a fault on line 2 with %q", err, tt.problem)
			}
		})
	}
	t.Run("secret without its line break", func(t *testing.T) {
		write("facility.yaml", strings.Replace(fmt.Sprintf(text, "good", "x"), ", ca_file: x", "", 1))
		f, err := facility.Load(filepath.Join(folder, "facility.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if secret, err := f.Broker.Password().Read(); err != nil || secret != "s3cret" {
			t.Errorf("secret = %q, %v", secret, err)
		}
	})
	t.Run("unset variable", func(t *testing.T) {
		write("facility.yaml", strings.Replace(base, "client_id: t", "client_id: t, username: u, password_env: REARGUARD_TEST_UNSET", 1))
		_, err := facility.Load(filepath.Join(folder, "facility.yaml"))
		if err == nil || !strings.Contains(err.Error(), "REARGUARD_TEST_UNSET is not set") {
			t.Errorf("error = %v, want that the variable is not set", err)
		}
	})
	t.Run("no file", func(t *testing.T) {
		_, err := facility.Load(filepath.Join(folder, "none.yaml"))
		if !errors.Is(err, os.ErrNotExist) {
			t.Errorf("error = %v, want that the file does not exist", err)
		}
	})
}
