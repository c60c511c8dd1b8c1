package facility_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/facility"
)

func TestAlertmanagersAreRead(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("token", "s3cret\n")
	write("facility.yaml", base+`alertmanagers:
  - {id: house, url: "http://127.0.0.1:9093"}
  - {id: site, url: "https://alerts.example.org/am", resend: 30s, token_file: token}
  - {id: own, url: "http://localhost:9094", username: u, password_env: REARGUARD_TEST_PASSWORD}
`)
	t.Setenv("REARGUARD_TEST_PASSWORD", "p")
	f, err := facility.Load(filepath.Join(folder, "facility.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	house, site, own := f.Alertmanagers[0], f.Alertmanagers[1], f.Alertmanagers[2]
	if house.Resend != time.Minute || site.Resend != 30*time.Second {
		t.Errorf("resend %v and %v, want 1m unless given", house.Resend, site.Resend)
	}
	if token, err := site.Token().Read(); err != nil || token != "s3cret" {
		t.Errorf("token %q, %v", token, err)
	}
	if password, err := own.Password().Read(); err != nil || password != "p" || house.Password() != (facility.Secret{}) {
		t.Errorf("password %q, %v", password, err)
	}

	write("facility.yaml", base+"alertmanagers:\n- {id: a, url: \"https://h\", token_file: absent, ca_file: token}\n")
	_, err = facility.Load(filepath.Join(folder, "facility.yaml"))
	for _, problem := range []string{"the token cannot be read", "no such file", "token holds none"} {
		if err == nil || !strings.Contains(err.Error(), problem) {
			t.Errorf("error = %v, want %q", err, problem)
		}
	}
}

func TestFaultsOfAlertmanagersAreFound(t *testing.T) {
	tests := []struct {
		name, list      string
		column          int
		problem, advice string
	}{
		{"alertmanager without address", "[{id: a}]", 17, "the key url is missing", "add url:"},
		{"alertmanager address", "[{id: a, url: \"h:9093\"}]", 30, "not a web address", "https://alerts.example.org"},
		{"address of its interface", "[{id: a, url: \"https://h/api/v2/alerts\"}]", 30, "that of the interface", "leave out what begins with /api"},
		{"address with a query", "[{id: a, url: \"https://h/?x=1\"}]", 30, "holds a query", "https://alerts.example.org"},
		{"alertmanager told too seldom", "[{id: a, url: \"https://h\", resend: 10m}]", 51, "10m is impossible", "from 1s to 3m"},
		{"alertmanager twice", "[{id: a, url: \"https://h\"}, {id: b, url: \"https://h/\"}]", 57, "told already", "line 6 is the other"},
		{"two ids of alertmanagers", "[{id: a, url: \"https://h\"}, {id: a, url: \"https://i\"}]", 49, "the id a stands twice in alertmanagers", "line 6"},
		{"token inline", "[{id: a, url: \"https://h\", token: t}]", 43, "a token is never written into this file", "token_file"},
		{"token and password", "[{id: a, url: \"https://h\", username: u, password_env: P, token_env: T}]", 17, "both a password and a token", "keep the one"},
		{"password of nobody", "[{id: a, url: \"https://h\", password_env: P}]", 17, "a password without a username", "add username:"},
		{"user without password", "[{id: a, url: \"https://h\", username: u}]", 17, "a username without a password", "add password_file:"},
		{"token for all to read", "[{id: a, url: \"http://h\", token_env: T}]", 30, "the token would cross the network readable by all", "https://"},
		{"password for all to read", "[{id: a, url: \"http://h\", username: u, password_env: T}]", 30, "the password would cross the network readable by all", "https://"},
		{"certificates without TLS", "[{id: a, url: \"http://127.0.0.1\", ca_file: x}]", 59, "ca_file has no use with http://", "https://"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			wantFault(t, base+"alertmanagers: "+tt.list+"\n", 6, tt.column, tt.problem, tt.advice)
		})
	}
}
