// Package brokertest starts a real mosquitto for tests: on a free port, with a
// configuration of its own, and with everything in the test's temporary
// folder.
package brokertest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Options says what the broker is to be like. The zero value is a broker that
// lets anybody in and keeps nothing over a restart.
type Options struct {
	// Persistence keeps sessions and retained messages over Restart. What is
	// newer than mosquitto's last save does not survive Kill.
	Persistence bool
	// TLS makes the broker speak TLS with a certificate of a CA made for this
	// broker. ClientCertificates also demands one of the client, whose common
	// name becomes the user name.
	TLS, ClientCertificates bool
	// Users maps user names to passwords. Without users anybody may connect,
	// unless client certificates name them.
	Users map[string]string
	// ACL is the content of the access rules file.
	ACL string
	// Extra is appended to the configuration.
	Extra string
	// ConfigFile is a complete configuration to use in place of all of the
	// above. It must listen on Port.
	ConfigFile string
	// Port to listen on; a free one when 0.
	Port int
	// Stopped leaves the broker down at first.
	Stopped bool
}

// Mosquitto is a running broker.
type Mosquitto struct {
	// Dir is the folder with the broker's files.
	Dir  string
	Port int
	// Certificates are nil unless Options.TLS is set.
	*Certificates

	tb     testing.TB
	config string
	tls    bool

	mu   sync.Mutex
	cmd  *exec.Cmd
	log  *bytes.Buffer
	done chan struct{}
}

// Start starts a broker that is stopped when the test ends. The test is
// skipped where mosquitto is not installed, and fails there when the
// environment has CI set.
func Start(tb testing.TB, o Options) *Mosquitto {
	tb.Helper()
	binary := Binary(tb, "mosquitto")
	m := &Mosquitto{Dir: tb.TempDir(), Port: o.Port, tb: tb, tls: o.TLS || o.ClientCertificates, log: new(bytes.Buffer)}
	if m.Port == 0 {
		m.Port = FreePort(tb)
	}
	if m.tls {
		m.Certificates = MakeCertificates(tb, m.Dir)
	}
	m.config = o.ConfigFile
	if m.config == "" {
		m.config = filepath.Join(m.Dir, "mosquitto.conf")
		m.write("mosquitto.conf", m.configuration(o))
	}
	m.cmd = &exec.Cmd{Path: binary}
	tb.Cleanup(func() {
		m.Stop()
		if tb.Failed() {
			tb.Logf("mosquitto:\n%s", m.Log())
		}
	})
	if !o.Stopped {
		m.Launch()
	}
	return m
}

// Binary finds a program of the system, or skips the test.
func Binary(tb testing.TB, name string) string {
	tb.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if candidate := "/usr/sbin/" + name; fileExists(candidate) {
			return candidate
		}
		debian, _, _ := strings.Cut(name, "_") // mosquitto_passwd comes with mosquitto
		hint := fmt.Sprintf("install %s (apt-get install %s)", debian, debian)
		if os.Getenv("CI") != "" {
			tb.Fatalf("%s is missing: %s", name, hint)
		}
		tb.Skipf("%s is missing: %s", name, hint)
	}
	return path
}

func fileExists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// FreePort returns a TCP port of the loopback interface that nobody uses.
func FreePort(tb testing.TB) int {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port
}

func (m *Mosquitto) configuration(o Options) string {
	var c strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&c, format+"\n", args...) }
	line("listener %d 127.0.0.1", m.Port)
	line("allow_anonymous %t", len(o.Users) == 0 && !o.ClientCertificates)
	line("log_type all")
	line("connection_messages true")
	if o.Persistence {
		line("persistence true")
		line("persistence_location %s/", m.Dir)
	}
	if m.tls {
		line("cafile %s", m.CAFile)
		line("certfile %s", m.ServerCert)
		line("keyfile %s", m.ServerKey)
	}
	if o.ClientCertificates {
		line("require_certificate true")
		line("use_identity_as_username true")
	}
	if len(o.Users) > 0 {
		line("password_file %s", m.passwords(o.Users))
	}
	if o.ACL != "" {
		line("acl_file %s", m.write("acl", o.ACL))
	}
	c.WriteString(o.Extra)
	return c.String()
}

func (m *Mosquitto) passwords(users map[string]string) string {
	m.tb.Helper()
	file := m.write("passwords", "")
	for user, password := range users {
		out, err := exec.Command(Binary(m.tb, "mosquitto_passwd"), "-b", file, user, password).CombinedOutput()
		if err != nil {
			m.tb.Fatalf("mosquitto_passwd: %v\n%s", err, out)
		}
	}
	return file
}

// write puts a file into the broker's folder and returns its path.
func (m *Mosquitto) write(name, content string) string {
	m.tb.Helper()
	path := filepath.Join(m.Dir, name)
	if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
		m.tb.Fatal(err)
	}
	return path
}

// URL returns the broker's address for a link.
func (m *Mosquitto) URL() string {
	if m.tls {
		return fmt.Sprintf("mqtts://localhost:%d", m.Port)
	}
	return fmt.Sprintf("mqtt://127.0.0.1:%d", m.Port)
}

// Log returns what the broker has logged.
func (m *Mosquitto) Log() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.log.String()
}

// Write collects the broker's log.
func (m *Mosquitto) Write(p []byte) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.log.Write(p)
}

// Launch starts a stopped broker and returns once it listens.
func (m *Mosquitto) Launch() {
	m.tb.Helper()
	// Mosquitto drops its rights when started as root, and then could not
	// read this test's files, unless told to stay.
	cmd := exec.Command(m.cmd.Path, "-c", m.config)
	if os.Geteuid() == 0 && !strings.Contains(m.read(m.config), "\nuser ") {
		m.config = m.write("as-root.conf", m.read(m.config)+"\nuser root\n")
		cmd = exec.Command(m.cmd.Path, "-c", m.config)
	}
	cmd.Stdout, cmd.Stderr = m, m
	if err := cmd.Start(); err != nil {
		m.tb.Fatalf("start mosquitto: %v", err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = cmd.Wait() // its status says nothing once it was told to stop
	}()
	m.cmd, m.done = cmd, done
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		c, err := new(net.Dialer).DialContext(ctx, "tcp", fmt.Sprintf("127.0.0.1:%d", m.Port))
		if err == nil {
			_ = c.Close()
			return
		}
		select {
		case <-tick.C:
		case <-done:
			m.tb.Fatalf("mosquitto ended at once:\n%s", m.Log())
		case <-ctx.Done():
			m.tb.Fatalf("mosquitto does not listen on port %d: %v\n%s", m.Port, err, m.Log())
		}
	}
}

func (m *Mosquitto) read(path string) string {
	m.tb.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		m.tb.Fatal(err)
	}
	return string(b)
}

// Stop ends the broker as its service manager would (SIGTERM), with its state
// saved if it is persistent.
func (m *Mosquitto) Stop() { m.end(syscall.SIGTERM) }

// Kill ends the broker with SIGKILL.
func (m *Mosquitto) Kill() { m.end(syscall.SIGKILL) }

// Reload makes the broker read its access rules and passwords again (SIGHUP).
func (m *Mosquitto) Reload() {
	m.tb.Helper()
	if err := m.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		m.tb.Fatal(err)
	}
}

// Restart stops the broker and starts it again.
func (m *Mosquitto) Restart() {
	m.tb.Helper()
	m.Stop()
	m.Launch()
}

func (m *Mosquitto) end(signal syscall.Signal) {
	m.tb.Helper()
	if m.done == nil {
		return
	}
	if err := m.cmd.Process.Signal(signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
		m.tb.Errorf("stop mosquitto: %v", err)
	}
	select {
	case <-m.done:
	case <-time.After(10 * time.Second):
		m.tb.Errorf("mosquitto does not stop")
		_ = m.cmd.Process.Kill()
		<-m.done
	}
	m.done = nil
}
