package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// programEnv hands the folder for the built program from TestMain to the
// tests.
const programEnv = "REARGUARD_TEST_PROGRAM_DIR"

// TestMain gives the built program a folder and removes it at the end.
func TestMain(m *testing.M) {
	if path := os.Getenv(lockEnv); path != "" {
		if err := lockRecords(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	dir, err := os.MkdirTemp("", "rearguard-test-")
	if err == nil {
		err = os.Setenv(programEnv, dir)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

// program builds the program once for all tests of the package, as users get
// it: without the race detector, also when the tests have it.
var program = sync.OnceValues(func() (string, error) {
	path := filepath.Join(os.Getenv(programEnv), "rearguard")
	out, err := exec.Command("go", "build", "-race=false", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return path, nil
})

// daemonProcess is a rearguard run in a process of its own.
type daemonProcess struct {
	t      *testing.T
	config string
	pages  string
	cmd    *exec.Cmd
	log    logBuffer
}

// logBuffer collects what a process writes, and can be read meanwhile.
type logBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (d *daemonProcess) start() {
	d.t.Helper()
	binary, err := program()
	if err != nil {
		d.t.Fatal(err)
	}
	d.cmd = exec.Command(binary, "run", "--config", d.config)
	d.cmd.Stderr = &d.log
	if err := d.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() {
		if d.t.Failed() {
			d.t.Logf("rearguard:\n%s", d.log.String())
		}
	})
}

// end sends a signal and waits for the process.
func (d *daemonProcess) end(signal syscall.Signal) {
	if d.cmd == nil {
		return
	}
	_ = d.cmd.Process.Signal(signal)
	err := d.cmd.Wait()
	d.cmd = nil
	if signal == syscall.SIGTERM && err != nil {
		d.t.Errorf("rearguard did not end well: %v\n%s", err, d.log.String())
	}
}

// get fetches a path of the pages and decodes its JSON; it reports whether
// that worked.
func (d *daemonProcess) get(path string, into any) bool {
	answer, err := http.Get("http://" + d.pages + path)
	if err != nil {
		return false
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return false
	}
	return into == nil || json.NewDecoder(answer.Body).Decode(into) == nil
}

// eventually polls a condition until it holds or its time is over.
func eventually(t *testing.T, what string, limit time.Duration, condition func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	ticker := time.NewTicker(50 * time.Millisecond)
	defer ticker.Stop()
	for !condition() {
		select {
		case <-ctx.Done():
			t.Fatalf("waited %v in vain: %s", limit, what)
		case <-ticker.C:
		}
	}
}
