package main

import (
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/emersion/go-smtp"

	"rearguard/dashboards/api"
	"rearguard/sensors/broker/brokertest"
)

// mailbox is a real SMTP server that keeps what it is handed, and beside it a
// receiver of webhooks.
type mailbox struct {
	t    *testing.T
	port int
	hook *httptest.Server

	mu    sync.Mutex
	mails []letter
	calls []hookCall
}

// letter is a mail as a person reads it.
type letter struct{ to, subject, body string }

// hookCall is what a receiver of webhooks gets.
type hookCall struct {
	Type string `json:"type"`
	Data struct {
		Recipient  string `json:"recipient"`
		State      string `json:"state"`
		Headline   string `json:"headline"`
		Link       string `json:"link"`
		AnswerLink string `json:"answer_link"`
	} `json:"data"`
}

// delivery is one exchange with the mail server.
type delivery struct {
	box *mailbox
	to  string
}

func (d *delivery) Reset()                                    {}
func (d *delivery) Logout() error                             { return nil }
func (d *delivery) Mail(string, *smtp.MailOptions) error      { return nil }
func (d *delivery) Rcpt(to string, _ *smtp.RcptOptions) error { d.to = to; return nil }

func (d *delivery) Data(r io.Reader) error {
	m, err := mail.ReadMessage(r)
	if err != nil {
		return err
	}
	body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		return err
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil {
		return err
	}
	d.box.mu.Lock()
	defer d.box.mu.Unlock()
	d.box.mails = append(d.box.mails, letter{d.to, subject, string(body)})
	return nil
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	b := &mailbox{t: t}
	server := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &delivery{box: b}, nil }))
	server.Domain = "localhost"
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.port = listener.Addr().(*net.TCPAddr).Port
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(listener) }()
	t.Cleanup(func() { _ = server.Close(); _ = listener.Close(); <-done })
	b.hook = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var c hookCall
		if err := json.NewDecoder(r.Body).Decode(&c); err != nil {
			t.Error(err)
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		b.calls = append(b.calls, c)
	}))
	t.Cleanup(b.hook.Close)
	return b
}

// mail waits for a mail to somebody whose subject or body says something.
func (b *mailbox) mail(to, says string) letter {
	b.t.Helper()
	var found letter
	eventually(b.t, fmt.Sprintf("a mail to %s that says %q", to, says), time.Minute, func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		i := slices.IndexFunc(b.mails, func(l letter) bool { return l.to == to && strings.Contains(l.subject+"\n"+l.body, says) })
		if i >= 0 {
			found = b.mails[i]
		}
		return i >= 0
	})
	return found
}

// call waits for a webhook of a type.
func (b *mailbox) call(kind string) hookCall {
	b.t.Helper()
	var found hookCall
	eventually(b.t, "a webhook of type "+kind, time.Minute, func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		i := slices.IndexFunc(b.calls, func(c hookCall) bool { return c.Type == kind })
		if i >= 0 {
			found = b.calls[i]
		}
		return i >= 0
	})
	return found
}

var linkPattern = regexp.MustCompile(`http://[0-9.:]+/n/[A-Za-z0-9_-]+`)

// link is the link in a mail.
func (l letter) link(t *testing.T) string {
	t.Helper()
	found := linkPattern.FindAllString(l.body, -1)
	if len(found) != 1 {
		t.Fatalf("links %v in %s", found, l.body)
	}
	return found[0]
}

// fetch looks at an address as a scanner of mail does.
func fetch(t *testing.T, method, address string) (status int, body string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, address, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// From the alarm to the mail, from the link in it to a tap, and from there to the
// others: program, mail server and browser are real. Looking changes nothing, and
// neither link nor key are found anywhere.
func TestAnswerByTheLinkOfANotice(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	box := newMailbox(t)
	dir := t.TempDir()
	d := answerDaemon(t, dir, fmt.Sprintf("tcp://127.0.0.1:%d", m.Port), box)
	feed(t, m.URL(), 36_000)
	post(t, d.pages, "/api/v1/cohorts", `{"who":"keeper","id":"c","species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":"nursery"}`)

	link := box.mail("lead@example.org", "Nursery").link(t)
	hook := box.call("alarm.raised")
	if hook.Data.AnswerLink == "" || hook.Data.AnswerLink == link || hook.Data.Link != "http://"+d.pages+"/alarms/incidents/1" || hook.Data.Recipient != "keeper" {
		t.Errorf("webhook %+v", hook)
	}
	taken := func() api.Incident {
		var list []api.Incident
		// A notice may be told before pages show what it is about.
		eventually(t, "an incident", time.Minute, func() bool { return d.get("/api/v1/incidents", &list) && len(list) == 1 })
		return list[0]
	}
	before := taken()
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodGet} {
		if status, _ := fetch(t, method, link); status != http.StatusOK {
			t.Errorf("%s: status %d", method, status)
		}
	}
	if after := taken(); before.TakenBy != "" || after.TakenBy != "" || after.Calls != before.Calls {
		t.Errorf("to look made %+v of %+v", after, before)
	}

	ctx, p := newPhone(t)
	p.do(ctx, chromedp.Navigate(link+"#going"))
	p.says(ctx, "Nursery: too hot")
	p.says(ctx, "Nobody has it yet.")
	p.tap(ctx, "#going")
	p.says(ctx, "Noted: you are going.")
	p.says(ctx, "Ada Lead is going since")
	if now := taken(); now.TakenBy != "Ada Lead" {
		t.Errorf("%+v", now)
	}
	box.mail("keeper@example.org", "Ada Lead is going: Nursery: too hot")

	// The keeper has it quiet, by the link of the webhook.
	p.do(ctx, chromedp.Navigate(hook.Data.AnswerLink))
	p.says(ctx, "This link is for Keeper alone")
	p.tap(ctx, "details.shelve summary")
	p.do(ctx, chromedp.SendKeys(chromedp.CSS("details.shelve input[name=reason]"), "vent is open"))
	p.tap(ctx, "details.shelve button")
	p.says(ctx, "Quiet now.")
	var list []api.Alarm
	if !d.get("/api/v1/alarms", &list) || !slices.ContainsFunc(list, func(a api.Alarm) bool { return a.State == "shelved" && a.Key.Condition == "heat" }) {
		t.Errorf("alarms %+v", list)
	}

	drilled := p.drill(ctx, d, box)
	d.end(syscall.SIGTERM)
	tellsNoLink(t, dir, d.log.String(), []string{link, hook.Data.AnswerLink, drilled})

	// The key outlasts a restart; without it no link is good any more.
	d.start()
	eventually(t, "ready again", time.Minute, func() bool { return d.get("/readyz", nil) })
	if status, body := fetch(t, http.MethodGet, link); status != http.StatusOK || !strings.Contains(body, "Ada Lead") {
		t.Errorf("after a restart: status %d", status)
	}
	d.end(syscall.SIGTERM)
	if err := os.Remove(filepath.Join(dir, "links.key")); err != nil {
		t.Fatal(err)
	}
	d.start()
	eventually(t, "ready with another key", time.Minute, func() bool { return d.get("/readyz", nil) })
	if status, _ := fetch(t, http.MethodGet, link); status != http.StatusNotFound {
		t.Errorf("with another key: status %d", status)
	}
}

// answerDaemon runs a facility with a lead, who has mail, and a keeper, who has
// mail and a webhook.
func answerDaemon(t *testing.T, dir, broker string, box *mailbox) *daemonProcess {
	t.Helper()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	text := fmt.Sprintf(`
facility: {name: Moth House, timezone: UTC}
records: {path: answers.db, synchronous: normal}
broker: {address: %q, client_id: answers}
web: {listen: %q, public_url: "http://%s", link_key_file: links.key}
rooms: [{id: nursery, name: Nursery, limits: {heat_celsius: 30}}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: kill/s, format: json, values: [{quantity: temperature, at: /t, unit: °C}]}]}]
people: [{id: lead, name: Ada Lead, email: lead@example.org}, {id: keeper, name: Keeper, email: keeper@example.org}]
channels:
  - {id: mail, kind: email, smtp: {host: 127.0.0.1, port: %d, tls: none, from: rearguard@example.org}}
  - {id: hook, kind: webhook, url: %q, secret_file: secret.txt}
roster:
  - {who: [lead, keeper], channels: [mail], priorities: [high, critical]}
  - {who: [keeper], channels: [hook], priorities: [high, critical]}
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
`, broker, pages, pages, box.port, box.hook.URL)
	for path, content := range map[string]string{config: text, filepath.Join(dir, "secret.txt"): "a secret"} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	d := &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGKILL) })
	eventually(t, "ready", time.Minute, func() bool { return d.get("/readyz", nil) })
	if info, err := os.Stat(filepath.Join(dir, "links.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v, %v", info, err)
	}
	return d
}

// tellsNoLink looks for links and for the key that signs them in the log and in
// every file but the key's.
func tellsNoLink(t *testing.T, dir, log string, links []string) {
	t.Helper()
	keyFile := filepath.Join(dir, "links.key")
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	secrets := []string{strings.TrimSpace(string(key))}
	for _, link := range links {
		u, err := url.Parse(link)
		if err != nil {
			t.Fatal(err)
		}
		secrets = append(secrets, strings.TrimPrefix(u.Path, "/n/"))
	}
	clean := func(where, text string) {
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s tells %q", where, secret)
			}
		}
	}
	clean("the log", log)
	err = filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || path == keyFile {
			return err
		}
		body, err := os.ReadFile(path)
		clean(path, string(body))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
