package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// TestZonesWithoutTheSystem runs both programs where no file of the system can
// be reached: the time zones come with them.
func TestZonesWithoutTheSystem(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs the right to change the root folder (run as root)")
	}
	root := t.TempDir()
	for _, name := range []string{"rearguard", "prove"} {
		build := exec.Command("go", "build", "-race=false", "-o", filepath.Join(root, name), "../"+name)
		build.Env = append(os.Environ(), "CGO_ENABLED=0")
		if out, err := build.CombinedOutput(); err != nil {
			t.Fatalf("build: %v\n%s", err, out)
		}
	}
	config := `facility: {name: Far away, timezone: Pacific/Chatham}
records: {path: far.db}
broker: {address: "tcp://127.0.0.1:1883", client_id: far}
rooms: [{id: nursery}]
`
	if err := os.WriteFile(filepath.Join(root, "facility.yaml"), []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, run := range []struct {
		args []string
		want string
	}{
		{[]string{"/rearguard", "check", "--config", "/facility.yaml"}, "is good"},
		// It gets as far as the records that the configuration names.
		{[]string{"/prove", "forecasts", "--config", "/facility.yaml"}, "no records to replay"},
	} {
		cmd := exec.Command(run.args[0])
		cmd.Args, cmd.Dir = run.args, "/"
		cmd.Env = []string{"ZONEINFO=/none"}
		cmd.SysProcAttr = &syscall.SysProcAttr{Chroot: root}
		out, err := cmd.CombinedOutput()
		if !strings.Contains(string(out), run.want) {
			t.Errorf("%v: %v, want %q\n%s", run.args, err, run.want, out)
		}
	}
}
