package facility_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
)

func TestEachFaultOfAPushChannelIsFound(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		line, col  int
		problem    string
		advice     string
	}{
		{"push without settings", base + "channels: [{id: p, kind: push}]\n", 6, 12, "needs push", "contact and key_file"},
		{"push without contact", base + "channels: [{id: p, kind: push, push: {key_file: k}}]\n", 6, 38, "the key contact is missing", "add contact:"},
		{"push without key", base + "channels: [{id: p, kind: push, push: {contact: \"mailto:lead@example.org\"}}]\n", 6, 38, "the key key_file is missing", "add key_file:"},
		{"contact without scheme", base + "channels: [{id: p, kind: push, push: {contact: lead@example.org, key_file: k}}]\n", 6, 48, "is not a mailto: or https: address", "write mailto:"},
		{"contact of no domain", base + "channels: [{id: p, kind: push, push: {contact: \"mailto:lead@box.local\", key_file: k}}]\n", 6, 48, `"box.local" is not a domain`, "refuse all messages"},
		{"push with a URL", base + "channels: [{id: p, kind: push, url: \"https://h\", push: {contact: \"mailto:lead@example.org\", key_file: k}}]\n", 6, 37, "url does not belong to kind push", "remove it"},
		{"webhook with push", base + "channels: [{id: h, kind: webhook, url: \"https://h\", secret_env: S, push: {contact: \"mailto:lead@example.org\", key_file: k}}]\n", 6, 74, "push does not belong to kind webhook", "remove it"},
		{"push twice", base + "channels:\n- {id: p, kind: push, push: {contact: \"mailto:lead@example.org\", key_file: k}}\n- {id: q, kind: push, push: {contact: \"mailto:lead@example.org\", key_file: k}}\n", 8, 3, "a second channel of kind push", "line 7 is the first"},
		{"push service with a scheme", base + "channels: [{id: p, kind: push, push: {contact: \"mailto:lead@example.org\", key_file: k, services: [\"https://h\"]}}]\n", 6, 99, "not the name of a host", "name only"},
		{"push without TLS", base + "web: {public_url: \"http://moths.example.org\"}\nchannels: [{id: p, kind: push, push: {contact: \"mailto:lead@example.org\", key_file: k}}]\n", 6, 19, "only from a page with HTTPS", "https://"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := facility.Parse("x.yaml", []byte(tt.text))
			var faults strict.Faults
			if !errors.As(err, &faults) || len(faults) != 1 {
				t.Fatalf("error = %v, want one fault", err)
			}
			if f := faults[0]; f.Line != tt.line || f.Column != tt.col || !strings.Contains(f.Problem, tt.problem) || !strings.Contains(f.Advice, tt.advice) {
				t.Errorf("want %d:%d with %q, advice %q; got\n%v", tt.line, tt.col, tt.problem, tt.advice, err)
			}
		})
	}
}

// The key that phones are subscribed to may be missing, since it is made then;
// one that cannot be used is told.
func TestLoadChecksTheKeyOfPhones(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "facility.yaml")
	if err := os.WriteFile(filepath.Join(folder, "bad.key"), []byte("hello"), 0o600); err != nil {
		t.Fatal(err)
	}
	for key, problem := range map[string]string{
		"push.key": "", "bad.key": "bad.key holds no private key", ".": "is not a file", "none/push.key": "there is no folder",
	} {
		text := base + fmt.Sprintf("channels: [{id: p, kind: push, push: {contact: \"mailto:lead@example.org\", key_file: %s}}]\n", key)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := facility.Load(path)
		if problem != "" {
			if err == nil || !strings.Contains(err.Error(), problem) || !strings.Contains(err.Error(), ":6:") {
				t.Errorf("%s: %v, want %q", key, err, problem)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", key, err)
			continue
		}
		if c := f.PushChannel(); c == nil || c.Push.KeyFile != filepath.Join(folder, key) {
			t.Errorf("%s: %+v", key, c)
		}
		if _, err := os.Stat(filepath.Join(folder, key)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("to look at the file made the key: %v", err)
		}
	}
}
