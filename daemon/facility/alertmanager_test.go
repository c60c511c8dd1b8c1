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
