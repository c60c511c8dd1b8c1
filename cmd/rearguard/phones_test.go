package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"

	"rearguard/alerts/notify/push/pushtest"
	"rearguard/sensors/broker/brokertest"
)

// makersServiceJS takes the place of the way to the push service of the
// browser's maker, which is not on this machine: subscriptions are those of
// ours, one after the other. All else in the browser is real.
const makersServiceJS = `(() => {
  const given = %s;
  const load = () => JSON.parse(localStorage.getItem("maker") || '{"next": 0, "now": null}');
  const save = (s) => localStorage.setItem("maker", JSON.stringify(s));
  const decode = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0)).buffer;
  const encode = (octets) => btoa(String.fromCharCode(...octets)).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  const subscription = (its) => ({
    options: { applicationServerKey: decode(its.key) },
    toJSON: () => ({ endpoint: its.endpoint, keys: { p256dh: its.p256dh, auth: its.auth } }),
    unsubscribe: async () => { save({ ...load(), now: null }); return true; },
  });
  PushManager.prototype.getSubscription = async () => { const { now } = load(); return now && subscription(now); };
  PushManager.prototype.subscribe = async ({ userVisibleOnly, applicationServerKey }) => {
    if (!userVisibleOnly || Notification.permission !== "granted") throw new Error("not allowed");
    const s = load();
    const now = { ...given[s.next], key: encode(applicationServerKey) };
    save({ next: s.next + 1, now });
    return subscription(now);
  };
})()`

// pushPhone is a phone with a push service.
type pushPhone struct {
	phone
	base     string
	service  *pushtest.Service
	browsers []*pushtest.Browser
	// worker is what runs on the phone while no page is open.
	worker atomic.Pointer[serviceworker.RegistrationID]
}

// newPushPhone gives a phone that may show messages, and subscriptions for it.
func newPushPhone(t *testing.T, base string, service *pushtest.Service) (context.Context, *pushPhone) {
	t.Helper()
	ctx, p := newPhone(t)
	q := &pushPhone{phone: p, base: base, service: service}
	var given []map[string]string
	for range 4 {
		b := service.Subscribe()
		q.browsers = append(q.browsers, b)
		given = append(given, map[string]string{"endpoint": b.Endpoint, "p256dh": b.P256dh(), "auth": b.Secret()})
	}
	list, err := json.Marshal(given)
	if err != nil {
		t.Fatal(err)
	}
	_, err = chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: fmt.Sprintf(makersServiceJS, list)})
	if err == nil {
		_, err = chromedp.CallBrowser(ctx, browser.SetPermission, browser.SetPermissionParams{
			Permission: &browser.PermissionDescriptor{Name: "notifications"}, Setting: browser.PermissionSettingGranted, Origin: base,
		})
	}
	if err == nil {
		err = chromedp.Listen(ctx, func(event any) {
			if e, ok := event.(*serviceworker.EventWorkerRegistrationUpdated); ok {
				for _, r := range e.Registrations {
					q.worker.Store(&r.RegistrationID)
				}
			}
		})
	}
	if err == nil {
		_, err = chromedp.Call(ctx, serviceworker.Enable, struct{}{})
	}
	if err != nil {
		t.Fatal(err)
	}
	return ctx, q
}

// attach gives the context of the worker, which remembers from then on what it
// has shown and opened. Who asks the browser while a message is on its way to the
// screen has it forget the message; and it opens pages for real taps only, which
// cannot be made here.
func (p *pushPhone) attach(ctx context.Context) context.Context {
	p.t.Helper()
	if _, err := chromedp.Call(ctx, serviceworker.StartWorker, serviceworker.StartWorkerParams{ScopeURL: p.base + "/"}); err != nil {
		p.t.Fatal(err)
	}
	var id target.ID
	eventually(p.t, "the worker runs", time.Minute, func() bool {
		list, err := chromedp.Targets(ctx)
		if err != nil {
			p.t.Fatal(err)
		}
		for _, one := range list {
			if one.Type == "service_worker" {
				id = one.TargetID
			}
		}
		return id != ""
	})
	worker, cancel := chromedp.NewContext(ctx, chromedp.WithTargetID(id))
	p.t.Cleanup(cancel)
	p.do(worker, chromedp.Evaluate[chromedp.Void](`(() => {
	  self.shown = [];
	  self.opened = "";
	  const show = self.registration.showNotification.bind(self.registration);
	  self.registration.showNotification = async (title, options) => { await show(title, options); self.shown.push(title + " " + options.body); };
	  self.clients.openWindow = async (to) => { self.opened = to; return null; };
	})()`))
	return worker
}

// receive waits for a message at the push service that says something, hands it
// to the worker of the phone and waits until it is shown. Messages before it are
// handed over as well.
func (p *pushPhone) receive(ctx, worker context.Context, says string) pushtest.Delivery {
	p.t.Helper()
	for {
		select {
		case d := <-p.service.Deliveries:
			_, err := chromedp.Call(ctx, serviceworker.DeliverPushMessage, serviceworker.DeliverPushMessageParams{
				Origin: p.base, RegistrationID: *p.worker.Load(), Data: string(d.Payload),
			})
			if err != nil {
				p.t.Fatal(err)
			}
			if strings.Contains(string(d.Payload), says) {
				p.until(worker, fmt.Sprintf(`self.shown.some((m) => m.includes(%q))`, says))
				return d
			}
		case <-ctx.Done():
			p.t.Fatalf("no message that says %q", says)
		}
	}
}

// tapMessage taps the message that says something, on one of its buttons if one
// is named, and gives the address that the worker opens for it.
func (p *pushPhone) tapMessage(worker context.Context, says, action string) string {
	p.t.Helper()
	opened, err := chromedp.Run(worker, chromedp.Evaluate[string](fmt.Sprintf(`(async () => {
	  const notification = (await self.registration.getNotifications()).find((n) => (n.title + n.body).includes(%q));
	  if (%q && !notification.actions.some((a) => a.action === %[2]q)) return "no such button";
	  const tap = new NotificationEvent("notificationclick", { notification, action: %[2]q });
	  let done = null;
	  Object.defineProperty(tap, "waitUntil", { value: (p) => { done = p; } });
	  self.dispatchEvent(tap);
	  await done;
	  return self.opened;
	})()`, says, action), chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatal(err)
	}
	return opened
}

// A phone subscribes on the page, is tested, is told of a hot room, changes its
// subscription, and is removed: the program, the browser and its worker are
// real, and the push service decrypts what it gets. The address and the keys of
// the phone are found nowhere.
func TestPhoneFromSubscriptionToRemoval(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	service := pushtest.NewService(t)
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config, keyFile := filepath.Join(dir, "facility.yaml"), filepath.Join(dir, "push.key")
	text := fmt.Sprintf(`
facility: {name: Moth House, timezone: UTC}
records: {path: phones.db, synchronous: normal}
broker: {address: %q, client_id: phones}
web: {listen: %q, public_url: "https://moths.example.org", link_key_file: links.key}
rooms: [{id: nursery, name: Nursery, limits: {heat_celsius: 30}}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: kill/s, format: json, values: [{quantity: temperature, at: /t, unit: °C}]}]}]
people: [{id: lead, name: Lead}]
channels: [{id: phone, kind: push, push: {contact: "mailto:lead@example.org", key_file: push.key, services: [127.0.0.1], ca_file: %q}}]
roster: [{who: [lead], channels: [phone], priorities: [high, critical]}]
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
incidents: {settle: 0s}
`, fmt.Sprintf("tcp://127.0.0.1:%d", m.Port), pages, service.CAFile())
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	d := &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGKILL) })
	eventually(t, "ready", time.Minute, func() bool { return d.get("/readyz", nil) })
	if info, err := os.Stat(keyFile); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v, %v", info, err)
	}

	ctx, p := newPushPhone(t, "http://"+pages, service)
	p.do(ctx, chromedp.Navigate(p.base+"/phones"))
	p.says(ctx, "This phone is not subscribed.")
	p.says(ctx, "Without a phone: Lead.")
	p.choose(ctx, "select[name=person]", "lead")
	p.do(ctx, chromedp.SendKeys(chromedp.CSS("#phone-form input[name=name]"), "Ines, private"))
	p.tap(ctx, "#phone-form button")
	p.says(ctx, "Subscribed. Send this phone a test, and tap it.")
	p.says(ctx, "This phone is subscribed as Ines, private.")
	p.says(ctx, "Never tried:")
	worker := p.attach(ctx)

	p.tap(ctx, `form[action$="/test"] button`)
	p.says(ctx, "Sent. Tap the message on the phone")
	p.says(ctx, "not tapped yet")
	p.receive(ctx, worker, "Test from Moth House")
	opened := p.tapMessage(worker, "Test from Moth House", "")
	if !strings.HasPrefix(opened, p.base+"/phones?seen=") {
		t.Fatalf("a tap opens %q", opened)
	}
	p.do(ctx, chromedp.Navigate(opened))
	p.says(ctx, "Seen. Messages reach this phone.")
	p.says(ctx, "Test seen")

	feed(t, m.URL(), 36_000)
	post(t, pages, "/api/v1/cohorts", `{"who":"keeper","id":"c","species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":"nursery"}`)
	raised := p.receive(ctx, worker, "Nursery")
	if raised.Header.Get("Urgency") != "high" || len(raised.Header.Get("Topic")) != 32 || raised.Browser != p.browsers[0] || raised.Claims.Subject != "mailto:lead@example.org" {
		t.Errorf("header %v, %+v", raised.Header, raised.Claims)
	}
	// Whichever name the link bears, the phone stays where it is subscribed.
	opened = p.tapMessage(worker, "Nursery", "have")
	if !strings.HasPrefix(opened, p.base+"/n/") || !strings.HasSuffix(opened, "#have") {
		t.Fatalf("a tap on a button opens %q", opened)
	}
	// Until pages show what the message is about, the page says so and waits.
	p.do(ctx, chromedp.Navigate(opened))
	p.tap(ctx, "#have")
	p.says(ctx, "Noted: you have it.")
	p.says(ctx, "Lead has it since")

	p.renewAndRemove(ctx, worker)
	d.end(syscall.SIGTERM)
	p.tellsNoSecrets(dir, keyFile, d.log.String())
}

// renewAndRemove has the subscription of the phone change, which the next page
// puts right, and then the phone removed, which stays so.
func (p *pushPhone) renewAndRemove(ctx, worker context.Context) {
	p.t.Helper()
	for _, path := range []string{"/api/v1/rooms", "/metrics", "/phones", "/messages"} {
		answer, err := http.Get(p.base + path)
		if err != nil {
			p.t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		answer.Body.Close()
		if err != nil {
			p.t.Fatal(err)
		}
		p.clean(path, string(body))
	}
	p.service.Answer(p.browsers[0], http.StatusGone, "", "")
	p.do(ctx, chromedp.Navigate(p.base+"/phones"))
	p.tap(ctx, `form[action$="/test"] button`)
	p.says(ctx, "The test was not sent: phone Ines, private: the push service 127.0.0.1:")
	p.says(ctx, "gets nothing")
	<-p.service.Deliveries
	// The browser does not know of it: any page has it subscribe anew.
	p.do(ctx, chromedp.Navigate(p.base+"/"))
	p.until(ctx, `JSON.parse(localStorage.getItem("maker")).next === 2`)
	p.do(ctx, chromedp.Navigate(p.base+"/phones"))
	p.says(ctx, "This phone is subscribed as Ines, private.")
	p.tap(ctx, `form[action$="/test"] button`)
	p.says(ctx, "Sent. Tap the message on the phone")
	if d := p.receive(ctx, worker, "Test from Moth House"); d.Browser != p.browsers[1] {
		p.t.Error("the test went to the old subscription")
	}
	p.tap(ctx, `form[action$="/remove"] button`)
	p.says(ctx, "Removed. It gets nothing any more.")
	p.says(ctx, "This phone was removed.")
	p.do(ctx, chromedp.Navigate(p.base+"/phones"))
	p.says(ctx, "This phone is not subscribed.")
	p.says(ctx, "None yet.")
}

// clean looks for what must not be told in a text.
func (p *pushPhone) clean(where, text string) {
	p.t.Helper()
	for _, b := range p.browsers[:2] {
		for _, secret := range []string{strings.TrimPrefix(b.Endpoint, p.service.URL), b.P256dh(), b.Secret()} {
			if strings.Contains(text, secret) {
				p.t.Errorf("%s tells %q", where, secret)
			}
		}
	}
}

// tellsNoSecrets looks into the log, and into every file but the key's.
func (p *pushPhone) tellsNoSecrets(dir, keyFile, log string) {
	p.t.Helper()
	p.clean("the log", log)
	key, err := os.ReadFile(keyFile)
	if err != nil {
		p.t.Fatal(err)
	}
	private := strings.Split(string(key), "\n")[1]
	err = filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || path == keyFile {
			return err
		}
		body, err := os.ReadFile(path)
		p.clean(path, string(body))
		if strings.Contains(string(body), private) {
			err = errors.Join(err, fmt.Errorf("%s holds the private key", path))
		}
		return err
	})
	if err != nil || strings.Contains(log, private) {
		p.t.Errorf("the private key: %v", err)
	}
}
