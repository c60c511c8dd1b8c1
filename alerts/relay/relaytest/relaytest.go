// Package relaytest starts a real Alertmanager for tests: on a free port, alone,
// and with everything in the test's temporary folder.
package relaytest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"rearguard/alerts/relay"
	"rearguard/sensors/broker/brokertest"
)

// settings tell nobody anything: the tests ask.
const settings = "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"

// Alertmanager is a running Alertmanager.
type Alertmanager struct {
	// URL is where its pages are.
	URL string

	tb     testing.TB
	binary string
	args   []string
	cmd    *exec.Cmd
	log    *bytes.Buffer
}

// Start starts an Alertmanager that is killed when the test ends. The test is
// skipped where the Debian package prometheus-alertmanager is not installed, and
// fails there when the environment has CI set.
func Start(tb testing.TB) *Alertmanager {
	tb.Helper()
	dir := tb.TempDir()
	file := filepath.Join(dir, "alertmanager.yml")
	address := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(tb))
	a := &Alertmanager{URL: "http://" + address, tb: tb, binary: brokertest.Binary(tb, "prometheus-alertmanager"), args: []string{
		"--config.file=" + file, "--storage.path=" + filepath.Join(dir, "data"), "--web.listen-address=" + address, "--cluster.listen-address=",
	}}
	if err := os.WriteFile(file, []byte(settings), 0o600); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		a.Kill()
		if tb.Failed() {
			tb.Logf("prometheus-alertmanager:\n%s", a.log)
		}
	})
	a.Launch()
	return a
}

// Launch starts one that was killed, and returns once it is ready. It has
// forgotten its alerts.
func (a *Alertmanager) Launch() {
	a.tb.Helper()
	a.cmd, a.log = exec.Command(a.binary, a.args...), new(bytes.Buffer)
	a.cmd.Stdout, a.cmd.Stderr = a.log, a.log
	if err := a.cmd.Start(); err != nil {
		a.tb.Fatalf("start prometheus-alertmanager: %v", err)
	}
	a.Eventually("prometheus-alertmanager is ready", func() bool {
		answer, err := http.Get(a.URL + "/-/ready")
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
}

// Kill ends it with SIGKILL.
func (a *Alertmanager) Kill() {
	if a.cmd == nil {
		return
	}
	_ = a.cmd.Process.Kill()
	_ = a.cmd.Wait() // its status says nothing: it was killed
	a.cmd = nil
}

// Active are the alerts that have not ended for it, and when it was last told
// of each.
func (a *Alertmanager) Active() []Active {
	a.tb.Helper()
	answer, err := http.Get(a.URL + "/api/v2/alerts")
	if err != nil {
		a.tb.Fatal(err)
	}
	defer answer.Body.Close()
	var list []Active
	if err := json.NewDecoder(answer.Body).Decode(&list); err != nil {
		a.tb.Fatalf("read the alerts of prometheus-alertmanager: %v", err)
	}
	return list
}

// Active is an alert that has not ended.
type Active struct {
	relay.Alert
	UpdatedAt time.Time `json:"updatedAt"`
}

// Eventually waits until a condition holds.
func (a *Alertmanager) Eventually(what string, condition func() bool) {
	a.tb.Helper()
	deadline := time.NewTimer(time.Minute)
	defer deadline.Stop()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !condition() {
		select {
		case <-deadline.C:
			a.tb.Fatalf("waited a minute in vain: %s", what)
		case <-tick.C:
		}
	}
}
