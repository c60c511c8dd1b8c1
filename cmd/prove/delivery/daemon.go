package delivery

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// daemon is a rearguard in a process of its own.
type daemon struct {
	binary, dir, pages string
	cmd                *exec.Cmd
	log                *os.File
}

// build builds rearguard into a folder, from the module in which prove is run.
func build(ctx context.Context, dir string) (string, error) {
	path := filepath.Join(dir, "rearguard")
	out, err := exec.CommandContext(ctx, "go", "build", "-race=false", "-o", path, "rearguard/cmd/rearguard").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build rearguard: %w\n%s", err, out)
	}
	return path, nil
}

// site is what a configuration says.
type site struct {
	broker, mail, hook, alertmanager string
	rooms, people                    int
}

// free is a port that nobody listens on.
func free() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	at, err := netip.ParseAddrPort(l.Addr().String())
	return int(at.Port()), err
}

// newDaemon writes the configuration of a rearguard that is still to be started.
func newDaemon(binary, dir string, s site) (*daemon, error) {
	port, err := free()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	log, err := os.OpenFile(filepath.Join(dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	d := &daemon{binary: binary, dir: dir, pages: fmt.Sprintf("127.0.0.1:%d", port), log: log}
	var b strings.Builder
	host, mailPort, err := net.SplitHostPort(s.mail)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(&b, "facility: {name: Invented house, timezone: UTC}\nrecords: {path: rearguard.db}\nbroker: {address: %q, client_id: %s}\nweb: {listen: %q}\n",
		s.broker, filepath.Base(dir), d.pages)
	fmt.Fprint(&b, "rooms:\n")
	for i := range s.rooms {
		fmt.Fprintf(&b, "  - {id: r%d, limits: {heat_celsius: 30}}\n", i)
	}
	fmt.Fprint(&b, "sensors:\n")
	for i := range s.rooms {
		fmt.Fprintf(&b, "  - {id: s%d, room: r%d, interval: 60s, inputs: [{topic: %s/%d, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n", i, i, filepath.Base(dir), i)
	}
	who := make([]string, s.people)
	fmt.Fprint(&b, "people:\n")
	for i := range s.people {
		who[i] = fmt.Sprintf("p%d", i)
		fmt.Fprintf(&b, "  - {id: p%d, name: Person %d, email: p%d@example.org}\n", i, i, i)
	}
	fmt.Fprintf(&b, `channels:
  - {id: mail, kind: email, smtp: {host: %q, port: %s, tls: none, from: rearguard@example.org}}
  - {id: hook, kind: webhook, url: %q, secret_env: REARGUARD_PROVE_SECRET}
roster:
  - who:
      - %s
    channels: [mail, hook]
    priorities: [high, critical]
alarms: {heat: {on_delay: 0s, repeat: []}}
`, host, mailPort, s.hook, strings.Join(who, "\n      - "))
	if s.alertmanager != "" {
		fmt.Fprintf(&b, "alertmanagers: [{id: house, url: %q, resend: 5s}]\n", s.alertmanager)
	}
	return d, os.WriteFile(d.config(), []byte(b.String()), 0o600)
}

func (d *daemon) config() string { return filepath.Join(d.dir, "facility.yaml") }

func (d *daemon) records() string { return filepath.Join(d.dir, "rearguard.db") }

// startWithin is how long a start may take on a machine with other things to do.
const startWithin = 3 * time.Minute

// start starts it, and returns once it is ready.
func (d *daemon) start(ctx context.Context) error {
	d.cmd = exec.Command(d.binary, "run", "--config", d.config())
	d.cmd.Env = append(os.Environ(), "REARGUARD_PROVE_SECRET=whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	d.cmd.Stderr = d.log
	if err := d.cmd.Start(); err != nil {
		return fmt.Errorf("start rearguard: %w", err)
	}
	why := "it does not answer"
	err := eventually(ctx, startWithin, "rearguard is ready", func() bool {
		answer, err := http.Get("http://" + d.pages + "/readyz")
		if err != nil {
			return false
		}
		text, _ := io.ReadAll(answer.Body)
		_ = answer.Body.Close() // it was read
		why = string(text)
		return answer.StatusCode == http.StatusOK
	})
	if err != nil {
		log, _ := os.ReadFile(d.log.Name())
		err = fmt.Errorf("%w: %s, and its log ends with\n%s", err, why, log[max(0, len(log)-1000):])
	}
	return err
}

// kill ends it by SIGKILL.
func (d *daemon) kill() {
	if d.cmd == nil {
		return
	}
	_ = d.cmd.Process.Kill()
	_ = d.cmd.Wait() // its status says nothing: it was killed
	d.cmd = nil
}

// animals puts a cohort into each room, without which no room is too hot.
func (d *daemon) animals(rooms int) error {
	for i := range rooms {
		body := fmt.Sprintf(`{"who":"keeper","id":"c%d","species":"danaus-plexippus","start_stage":"larva-3","individuals":10,"room":"r%d"}`, i, i)
		answer, err := http.Post("http://"+d.pages+"/api/v1/cohorts", "application/json", bytes.NewReader([]byte(body)))
		if err != nil {
			return err
		}
		text, _ := io.ReadAll(answer.Body)
		_ = answer.Body.Close() // it was read
		if answer.StatusCode >= 300 {
			return fmt.Errorf("enter a cohort: %s: %s", answer.Status, text)
		}
	}
	return nil
}

// errLate says that something has not come about in time.
var errLate = errors.New("waited in vain")

// eventually waits until a condition holds.
func eventually(ctx context.Context, within time.Duration, what string, holds func() bool) error {
	limited, done := context.WithTimeout(ctx, within)
	defer done()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-limited.Done():
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return fmt.Errorf("%w for %v: %s", errLate, within, what)
		case <-tick.C:
		}
	}
	return nil
}
