package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"rearguard/sensors/broker/brokertest"
)

// namespaced returns a command that runs a shell text in a mount namespace of
// its own, with $0 as the site's folder and $1 as the program. The test is
// skipped where mounting is not allowed.
func namespaced(t *testing.T, s *site, text string) *exec.Cmd {
	t.Helper()
	if out, err := exec.Command("unshare", "-m", "true").CombinedOutput(); err != nil {
		t.Skipf("needs the right to mount (run as root): %v: %s", err, out)
	}
	binary, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return exec.Command("unshare", "-m", "sh", "-c", text, s.dir, binary)
}

func TestReadOnlyDisk(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	s := newSite(t, m.Port, "")
	cmd := namespaced(t, s, `mount --bind "$0" "$0" && mount -o remount,bind,ro "$0" && exec "$1" run --config "$0/facility.yaml"`)
	wantFailureOf(t, cmd, "records cannot be written", filepath.Join(s.dir, "site.db"), "mounted read-only")
}

// TestFullDisk fills the disk under a running daemon and makes room again:
// what was published meanwhile stays with the broker and is stored then.
func TestFullDisk(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	s := newSite(t, m.Port, "")
	disk := filepath.Join(s.dir, "disk")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(s.config)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.config, bytes.Replace(text, []byte("site.db"), []byte("disk/site.db"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	s.cmd = namespaced(t, s, `mount -t tmpfs -o size=4m none "$0/disk" && exec "$1" run --config "$0/facility.yaml"`)
	s.cmd.Stderr = &s.log
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.end(syscall.SIGTERM) })
	s.awaitReady()
	c := client(t, m.URL())
	want := make(map[string]float64)
	now := time.Now().UTC()
	goodReadings(t, c, now.Add(-3*time.Minute), want)
	s.awaitCopy(want)

	ballast := fmt.Sprintf("/proc/%d/root%s/ballast", s.cmd.Process.Pid, disk)
	if err := os.WriteFile(ballast, make([]byte, 4<<20), 0o600); !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("the disk is not full: %v", err)
	}
	goodReadings(t, c, now.Add(-2*time.Minute), want)
	s.awaitUnready("the records cannot be written", "no room", "free some space")
	goodReadings(t, c, now.Add(-time.Minute), want)
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	s.awaitReady()
	s.awaitCopy(want)
}

// awaitCopy waits until a backup, taken while the daemon runs, holds exactly
// the wanted readings.
func (s *site) awaitCopy(want map[string]float64) {
	s.t.Helper()
	binary, err := program()
	if err != nil {
		s.t.Fatal(err)
	}
	copied := filepath.Join(s.dir, "site.db")
	eventually(s.t, "readings in a backup", time.Minute, func() bool {
		_ = os.Remove(copied)
		out, err := exec.Command("nsenter", "-t", fmt.Sprint(s.cmd.Process.Pid), "-m", binary, "backup", "--config", s.config, copied).CombinedOutput()
		if err != nil {
			s.t.Fatalf("backup: %v\n%s", err, out)
		}
		got, _ := s.stored()
		return len(got) == len(want)
	})
	s.awaitStored(want)
}
