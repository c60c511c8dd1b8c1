// Package mosquitto_test starts a broker with the files of this folder, as its
// README says, and proves what they promise.
package mosquitto_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors/broker"
	"rearguard/sensors/broker/brokertest"
)

const patience = 20 * time.Second

// site is a broker set up by the README.
type site struct {
	t *testing.T
	*brokertest.Mosquitto
	etc               string
	accounts, devices int // the ports
}

func setUp(t *testing.T) *site {
	t.Helper()
	brokertest.Binary(t, "mosquitto")
	brokertest.Binary(t, "openssl")
	s := &site{t: t, etc: t.TempDir(), accounts: brokertest.FreePort(t), devices: brokertest.FreePort(t)}
	s.follow("README.md")
	s.copy("acl")
	conf := s.copy("mosquitto.conf")
	s.Mosquitto = brokertest.Start(t, brokertest.Options{ConfigFile: conf, Port: s.accounts})
	return s
}

// localize replaces the paths, ports and user of a file by those of the test.
// Each must occur, or the test would prove something else than the file.
func (s *site) localize(name, text string, replace ...string) string {
	s.t.Helper()
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(text, replace[i]) {
			s.t.Fatalf("%s does not mention %q", name, replace[i])
		}
	}
	return strings.NewReplacer(replace...).Replace(text)
}

func (s *site) read(name string) string {
	s.t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(b)
}

// follow runs the README's shell commands.
func (s *site) follow(name string) {
	s.t.Helper()
	text := s.read(name)
	blocks := regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(text, -1)
	if len(blocks) != 3 {
		s.t.Fatalf("%d blocks of commands in %s", len(blocks), name)
	}
	for _, block := range blocks {
		script := s.localize(name, block[1], "/etc/mosquitto", s.etc)
		if out, err := exec.Command("sh", "-euc", script).CombinedOutput(); err != nil {
			s.t.Fatalf("%s\n%v\n%s", script, err, out)
		}
	}
}

// copy puts a file of this folder where the broker looks for it.
func (s *site) copy(name string) string {
	s.t.Helper()
	text := s.read(name)
	if name == "mosquitto.conf" {
		user := "nobody"
		if os.Geteuid() == 0 {
			user = "root" // the test's folder is root's
		}
		text = s.localize(name, text,
			"/etc/mosquitto", s.etc, "/var/lib/mosquitto", s.etc, "user mosquitto", "user "+user,
			"listener 8883\n", fmt.Sprintf("listener %d 127.0.0.1\n", s.accounts),
			"listener 8884\n", fmt.Sprintf("listener %d 127.0.0.1\n", s.devices))
	}
	path := filepath.Join(s.etc, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
	return path
}

func (s *site) path(name string) string { return filepath.Join(s.etc, name) }

func (s *site) password(user string) string {
	return strings.TrimSpace(s.read(s.path(user + ".password")))
}

// rearguard runs the real link with rearguard's account.
func (s *site) rearguard(filters ...string) (*broker.Link, func()) {
	s.t.Helper()
	link, err := broker.New(broker.Config{
		URL: fmt.Sprintf("mqtts://localhost:%d", s.accounts), ClientID: "rearguard", Filters: filters,
		Certificates: broker.Certificates{CAFile: s.path("certs/ca.crt")},
		Login:        broker.Login{Username: "rearguard", PasswordFile: s.path("rearguard.password")},
		Availability: "rearguard/availability", RetryMin: 20 * time.Millisecond, RetryMax: 100 * time.Millisecond,
		ProbeEvery: 200 * time.Millisecond, DrainTimeout: 100 * time.Millisecond,
	}, slog.New(slog.NewTextHandler(s.t.Output(), nil)))
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- link.Run(ctx) }()
	stop := func() {
		cancel()
		if err := <-done; err != nil {
			s.t.Errorf("run: %v", err)
		}
		done <- nil
	}
	s.t.Cleanup(stop)
	deadline := time.After(patience)
	for !link.State().Subscribed {
		select {
		case <-link.States():
		case <-deadline:
			s.t.Fatalf("state %+v", link.State())
		}
	}
	return link, stop
}

// tls returns the TLS settings of a device, with its certificate if it has one.
func (s *site) tls(certificate string) *tls.Config {
	s.t.Helper()
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM([]byte(s.read(s.path("certs/ca.crt")))) {
		s.t.Fatal("no CA")
	}
	c := &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	if certificate != "" {
		pair, err := tls.LoadX509KeyPair(s.path("certs/"+certificate+".crt"), s.path("certs/"+certificate+".key"))
		if err != nil {
			s.t.Fatal(err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c
}

// connect makes one attempt to connect.
func (s *site) connect(url, id, user, password string, settings *tls.Config, handler mqtt.MessageHandler) (mqtt.Client, error) {
	s.t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(id).SetUsername(user).SetPassword(password).
		SetTLSConfig(settings).SetAutoReconnect(false).SetProtocolVersion(4).SetDefaultPublishHandler(handler)
	c := mqtt.NewClient(o)
	err := mqtt.WaitTokenTimeout(c.Connect(), patience)
	if err == nil {
		s.t.Cleanup(func() { c.Disconnect(100) })
	}
	return c, err
}

func (s *site) accountsURL() string { return fmt.Sprintf("tls://localhost:%d", s.accounts) }
func (s *site) devicesURL() string  { return fmt.Sprintf("tls://localhost:%d", s.devices) }

// device connects with an account of the README.
func (s *site) device(user string) mqtt.Client {
	s.t.Helper()
	c, err := s.connect(s.accountsURL(), user, user, s.password(user), s.tls(""), nil)
	if err != nil {
		s.t.Fatalf("%s: %v", user, err)
	}
	return c
}

func publish(t *testing.T, c mqtt.Client, topic string, body any) {
	t.Helper()
	if err := mqtt.WaitTokenTimeout(c.Publish(topic, 1, false, body), patience); err != nil {
		t.Fatalf("publish on %s: %v", topic, err)
	}
}

// next returns the next message, acknowledged.
func next(t *testing.T, link *broker.Link) (topic, body string) {
	t.Helper()
	select {
	case m := <-link.Messages():
		m.Ack()
		return m.Topic, string(m.Payload)
	case <-time.After(patience):
		t.Fatalf("no message; state %+v", link.State())
	}
	return "", ""
}

// only checks that of all that c publishes on the topics, just the last, on a
// topic that is allowed, arrives: messages of one client come in order.
func only(t *testing.T, link *broker.Link, c mqtt.Client, allowed string, refused ...string) {
	t.Helper()
	for _, topic := range refused {
		publish(t, c, topic, "refused")
	}
	publish(t, c, allowed, "allowed")
	if topic, body := next(t, link); topic != allowed || body != "allowed" {
		t.Errorf("got %q on %s, want only %s", body, topic, allowed)
	}
}

func TestRules(t *testing.T) {
	s := setUp(t)
	link, _ := s.rearguard("#", "rearguard/availability")
	north := s.device("nursery-north")

	t.Run("a sensor writes its own topics only", func(t *testing.T) {
		only(t, link, north, "sensors/nursery-north/temperature",
			"sensors/nursery-south/temperature", "sensors/temperature", "sensors", "sensors/nursery-north2/t",
			"rearguard/availability", "homie/5/nursery-south/air/temperature", "homie/nursery-north/air/temperature",
			"spBv1.0/site/NBIRTH/nursery-south", "spBv1.0/site/NCMD/nursery-north", "other")
		for _, own := range []string{"homie/5/nursery-north/air/temperature", "spBv1.0/site/NBIRTH/nursery-north",
			"spBv1.0/site/NDATA/nursery-north", "spBv1.0/site/NDEATH/nursery-north", "spBv1.0/site/DBIRTH/nursery-north/a",
			"spBv1.0/site/DDATA/nursery-north/a", "spBv1.0/site/DDEATH/nursery-north/a"} {
			only(t, link, north, own)
		}
	})

	t.Run("a user name with a wildcard gives no more", func(t *testing.T) {
		if out, err := exec.Command(brokertest.Binary(t, "mosquitto_passwd"), "-b", s.path("passwords"), "+", "secret").CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		s.Reload()
		var c mqtt.Client
		var err error
		for deadline := time.After(patience); ; { // until the broker has read the file
			if c, err = s.connect(s.accountsURL(), "wildcard", "+", "secret", s.tls(""), nil); err == nil {
				break
			}
			select {
			case <-deadline:
				t.Fatal(err)
			default:
			}
		}
		publish(t, c, "sensors/nursery-north/temperature", "refused")
		only(t, link, north, "sensors/nursery-north/temperature")
	})

	t.Run("a sensor reads nobody's topics", func(t *testing.T) {
		got := make(chan string, 100)
		south, err := s.connect(s.accountsURL(), "nursery-south", "nursery-south", s.password("nursery-south"), s.tls(""),
			func(_ mqtt.Client, m mqtt.Message) { got <- m.Topic() })
		if err != nil {
			t.Fatal(err)
		}
		if err := mqtt.WaitTokenTimeout(south.Subscribe("#", 1, nil), patience); err != nil {
			t.Fatal(err)
		}
		only(t, link, north, "sensors/nursery-north/temperature")
		// Rearguard's request to this edge node comes after, and is the first
		// to arrive.
		err = link.Publish(t.Context(), broker.Publication{Topic: "spBv1.0/site/NCMD/nursery-south", Payload: []byte("rebirth"), QoS: 1})
		if err != nil {
			t.Fatal(err)
		}
		select {
		case topic := <-got:
			if topic != "spBv1.0/site/NCMD/nursery-south" {
				t.Errorf("read %s", topic)
			}
		case <-time.After(patience):
			t.Error("the request does not arrive")
		}
		if topic, _ := next(t, link); topic != "spBv1.0/site/NCMD/nursery-south" { // it reads spBv1.0/# itself
			t.Errorf("got %s", topic)
		}
	})

	t.Run("rearguard writes its own topics only", func(t *testing.T) {
		own, err := s.connect(s.accountsURL(), "second", "rearguard", s.password("rearguard"), s.tls(""), nil)
		if err != nil {
			t.Fatal(err)
		}
		only(t, link, own, "spBv1.0/site/NCMD/edge",
			"sensors/nursery-north/temperature", "sensors/rearguard/temperature", "homie/5/rearguard/a/b",
			"homie/5/nursery-north/a/b/set", "spBv1.0/site/NBIRTH/rearguard", "spBv1.0/site/NDATA/edge",
			"spBv1.0/site/DDATA/rearguard/a", "spBv1.0/site/DCMD/edge/a", "rearguard/other", "other")
		if st := link.State(); !st.Subscribed || st.Cause != "" { // it hears its own availability
			t.Errorf("state %+v", st)
		}
	})

	t.Run("a certificate is an account", func(t *testing.T) {
		c, err := s.connect(s.devicesURL(), "cage", "", "", s.tls("emergence-cage"), nil)
		if err != nil {
			t.Fatal(err)
		}
		only(t, link, c, "sensors/emergence-cage/temperature", "sensors/nursery-north/temperature")
		// It cannot pass for somebody else.
		c, err = s.connect(s.devicesURL(), "cage2", "nursery-north", "guess", s.tls("emergence-cage"), nil)
		if err != nil {
			t.Fatal(err)
		}
		only(t, link, c, "sensors/emergence-cage/temperature", "sensors/nursery-north/temperature")
	})

	t.Run("large messages stop at the broker", func(t *testing.T) {
		// Mosquitto ends the connection of who sends one.
		token := north.Publish("sensors/nursery-north/temperature", 1, false, strings.Repeat("0", 70000))
		_ = mqtt.WaitTokenTimeout(token, patience)
		only(t, link, s.device("nursery-north"), "sensors/nursery-north/temperature")
	})
}

func TestRefusedAtTheDoor(t *testing.T) {
	s := setUp(t)
	plain := fmt.Sprintf("tcp://localhost:%d", s.accounts)
	tests := []struct {
		name, url, user, password string
		settings                  *tls.Config
	}{
		{"anonymous", s.accountsURL(), "", "", s.tls("")},
		{"wrong password", s.accountsURL(), "nursery-north", "guess", s.tls("")},
		{"unknown account", s.accountsURL(), "nobody", "guess", s.tls("")},
		{"password in the clear", plain, "nursery-north", s.password("nursery-north"), nil},
		{"no certificate", s.devicesURL(), "nursery-north", s.password("nursery-north"), s.tls("")},
		{"old TLS", s.accountsURL(), "nursery-north", s.password("nursery-north"), func() *tls.Config {
			c := s.tls("")
			c.MinVersion, c.MaxVersion = tls.VersionTLS10, tls.VersionTLS11
			return c
		}()},
		{"no client id", s.accountsURL(), "nursery-north", s.password("nursery-north"), s.tls("")},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			id := "door"
			if test.name == "no client id" {
				id = ""
			}
			if _, err := s.connect(test.url, id, test.user, test.password, test.settings, nil); err == nil {
				t.Error("let in")
			}
		})
	}
	strange := brokertest.MakeCertificates(t, t.TempDir())
	pair, err := tls.LoadX509KeyPair(strange.ClientCert, strange.ClientKey)
	if err != nil {
		t.Fatal(err)
	}
	settings := s.tls("")
	settings.Certificates = []tls.Certificate{pair}
	if _, err := s.connect(s.devicesURL(), "door", "", "", settings, nil); err == nil {
		t.Error("a certificate of another authority is let in")
	}
}

// TestKept proves that messages wait for rearguard over a restart of the
// broker, more of them than mosquitto keeps by default, and that many may be
// unacknowledged at once.
func TestKept(t *testing.T) {
	s := setUp(t)
	_, stop := s.rearguard("sensors/#")
	stop()
	north := s.device("nursery-north")
	const n = 1500
	var last mqtt.Token
	for i := range n {
		last = north.Publish("sensors/nursery-north/temperature", 1, false, fmt.Sprint(i))
	}
	if err := mqtt.WaitTokenTimeout(last, patience); err != nil {
		t.Fatal(err)
	}
	north.Disconnect(500)
	s.Restart()
	link, _ := s.rearguard("sensors/#")
	var acks []func()
	for i := range n {
		select {
		case m := <-link.Messages():
			if string(m.Payload) != fmt.Sprint(i) {
				t.Fatalf("message %d is %q", i, m.Payload)
			}
			acks = append(acks, m.Ack)
		case <-time.After(patience):
			t.Fatalf("message %d does not come", i)
		}
		if len(acks) == 1000 {
			for _, ack := range acks {
				ack()
			}
			acks = acks[:0]
		}
	}
	for _, ack := range acks {
		ack()
	}
}
