package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

const (
	// backlogEnv sets how many messages wait at the broker; without it there are
	// as many as a test has time for.
	backlogEnv   = "REARGUARD_TEST_BACKLOG"
	backlogUsual = 30_000
	// memoryMost is how much memory the program may need in MB, for whatever
	// backlog, and after it.
	memoryMost = 384
)

// peakMB is the most memory that the process has had so far.
func (d *daemonProcess) peakMB() int {
	d.t.Helper()
	body, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", d.cmd.Process.Pid))
	if err != nil {
		d.t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(body), "VmHWM:")
	kB, err := strconv.Atoi(strings.Fields(rest)[0])
	if err != nil {
		d.t.Fatal(err)
	}
	return kB / 1024
}

// A program that was away takes what the broker has kept, and is killed before
// it has come to rest: neither that nor the start after it needs more memory
// than a small machine has.
func TestBacklogWithinItsMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes; run without -short")
	}
	messages := backlogUsual
	if text := os.Getenv(backlogEnv); text != "" {
		var err error
		if messages, err = strconv.Atoi(text); err != nil {
			t.Fatalf("%s: %v", backlogEnv, err)
		}
	}
	m, d, path := manySensors(t)
	d.end(syscall.SIGTERM)
	p := &publisher{t: t, url: m.URL(), begin: time.Now().UTC().Add(-time.Duration(messages/killSensors) * time.Minute).Truncate(time.Minute)}
	p.connect()
	for n := range messages / killSensors {
		p.round(n)
	}
	p.client.Disconnect(1000)
	began := time.Now()
	d.start()
	eventually(t, "everything taken", 5*time.Minute, func() bool { return countReadings(t, path) >= messages })
	drained, took := d.peakMB(), time.Since(began)
	d.end(syscall.SIGKILL)
	began = time.Now()
	d.start()
	eventually(t, "ready again", 2*time.Minute, func() bool { return d.get("/readyz", nil) })
	restarted, ready := d.peakMB(), time.Since(began)
	t.Logf("%d messages taken in %s with %d MB; ready %s after the kill with %d MB", messages, took.Round(time.Second), drained, ready.Round(time.Millisecond), restarted)
	if drained > memoryMost || restarted > memoryMost {
		t.Errorf("a backlog of %d messages takes %d MB, the start after it %d MB; at most %d are wanted", messages, drained, restarted, memoryMost)
	}
}
