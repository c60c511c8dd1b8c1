package web_test

import (
	"context"
	"flag"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"rearguard/alerts"
	"rearguard/alerts/notify/invite"
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

var shots = flag.String("shots", "", "folder to keep a picture of every page in")

// browser starts a real headless Chromium with a fresh profile.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("chromium is missing: install chromium (apt-get install chromium)")
		}
		t.Skip("chromium is missing: install chromium (apt-get install chromium)")
	}
	alloc, stop := chromedp.NewExecAllocator(t.Context(),
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("headless", true), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("hide-scrollbars", true),
	)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("chromium did not end by itself: %v", err)
		}
		cancel()
	})
	// The first call starts the browser and must not carry a deadline.
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	ctx, timeout := context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(timeout)
	return ctx
}

// eval runs JavaScript in the page.
func eval[T any](t *testing.T, ctx context.Context, js string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js))
	if err != nil {
		t.Fatalf("evaluate %.60s: %v", js, err)
	}
	return v
}

// until waits for a condition in the page.
func until(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	check := chromedp.Evaluate[bool](`new Promise((r) => setTimeout(() => r(Boolean(`+js+`)), 20))`, chromedp.EvalAwaitPromise)
	for {
		// A check that falls into a navigation fails; the next one will not.
		met, err := chromedp.Run(ctx, check)
		if met {
			return
		}
		if ctx.Err() != nil {
			t.Fatalf("waited in vain for %.80s: %v", js, err)
		}
	}
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// serve starts the site as it is served for real, security wrapper included.
func serve(t *testing.T, f web.Facility, with ...func(*web.Options)) string {
	t.Helper()
	options := web.Options{Now: dashtest.Now, Wall: dashtest.Now, Pace: 10 * time.Millisecond, Beat: 200 * time.Millisecond}
	for _, change := range with {
		change(&options)
	}
	site, err := web.New(f, options)
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(web.Protect(site, web.Access{}))
	t.Cleanup(func() { site.Close(); server.Close() })
	return server.URL
}

// contrastJS finds text whose contrast with the colour behind it is below
// 4.5 to 1, or 3 to 1 for large text (WCAG 2.1, success criterion 1.4.3,
// with its definition of relative luminance). Hatched backgrounds are judged
// by their base colour.
const contrastJS = `(() => {
  const parse = (c) => { const m = c.match(/[\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const lum = (c) => { const f = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const over = (a, b) => [0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3])).concat(1);
  const behind = (el) => { const layers = [];
    for (let e = el; e; e = e.parentElement) { const s = getComputedStyle(e); layers.push(parse(s.backgroundColor)); 
      const img = s.backgroundImage.match(/rgba?\([^)]*\)/g); if (img) layers.push(parse(img[0])); }
    return layers.reverse().reduce((b, l) => over(l, b), [255, 255, 255, 1]); };
  const bad = new Set();
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const el = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !el.checkVisibility() || el.closest(".unseen, script, noscript, option")) continue;
    const s = getComputedStyle(el), bg = behind(el), fg = over(parse(s.color), bg);
    const [hi, lo] = [lum(fg), lum(bg)].sort((a, b) => b - a), ratio = (hi + 0.05) / (lo + 0.05);
    const size = parseFloat(s.fontSize), large = size >= 24 || (size >= 18.66 && Number(s.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) bad.add(ratio.toFixed(2) + " " + el.tagName + "." + el.className + ": " + walk.currentNode.data.trim().slice(0, 40));
  }
  return [...bad];
})()`

// targetsJS finds controls smaller than 44 by 44 CSS pixels (WCAG 2.1,
// success criterion 2.5.5); links inside a sentence are exempt there.
const targetsJS = `(() => [...document.querySelectorAll("button, input:not([type=hidden]), select, summary, nav a, .jump a, a.button, a.chip")]
  .filter((e) => e.checkVisibility()).map((e) => [e, e.getBoundingClientRect()])
  .filter(([e, r]) => r.height < 43.9 || r.width < 43.9)
  .map(([e, r]) => e.tagName + " " + (e.textContent.trim() || e.name).slice(0, 30) + " " + r.width.toFixed(0) + "x" + r.height.toFixed(0)))()`

// labelsJS finds fields without a label.
const labelsJS = `(() => [...document.querySelectorAll("input:not([type=hidden]), select")].filter((e) => e.labels.length === 0).map((e) => e.name))()`

const overflowJS = `(() => { const d = document.documentElement;
  if (d.scrollWidth <= d.clientWidth) return [];
  return ["page " + d.scrollWidth + " > " + d.clientWidth, ...[...document.querySelectorAll("body *")]
    .filter((e) => e.getBoundingClientRect().right > d.clientWidth + 0.5).slice(0, 5).map((e) => e.tagName + "." + e.className)]; })()`

func TestPagesInBrowser(t *testing.T) {
	ctx := browser(t)
	long := strings.Repeat("w", 40)
	facilities := []struct {
		name     string
		snapshot *snapshot.Snapshot
		pages    []string
		with     []func(*web.Options)
	}{
		{"sample", dashtest.Sample(), []string{
			"/", "/alarms", "/rooms/nursery", "/rooms/emergence", "/cohorts/dp-0412", "/cohorts/hm-31", "/cohorts/new",
			"/sensors/nursery-north", "/sensors/emergence-door", "/messages", "/who", "/nowhere",
		}, nil},
		{"phones", dashtest.Sample(), []string{"/", "/phones"}, []func(*web.Options){func(o *web.Options) { o.Phones = samplePhones() }}},
		{"links", dashtest.Sample(), linkPages(t), []func(*web.Options){func(o *web.Options) { o.Links, o.People = newLinkBook(t), sampleCrowd() }}},
		{"ugly", dashtest.Ugly(), []string{"/", "/alarms", "/rooms/" + long, "/rooms/nursery", "/cohorts/dp-0412", "/messages"}, nil},
		{"learned", learned(t), []string{
			"/", "/cohorts/dp-0412", "/rooms/nursery", "/learning", "/learning/danaus-plexippus", "/learning/aglais-io", "/plan",
			"/plan?ask=emergences&species=danaus-plexippus&count=60&by=2026-06-30", "/plan?ask=shift&cohort=dp-0412&to=2026-06-04",
			"/plan?ask=shipping&cohort=dp-0412&celsius=18&hours=36", "/plan?ask=food&species=danaus-plexippus&grams=12",
			"/plan?ask=food&species=danaus-plexippus&grams=much",
		}, nil},
		{"technician", dashtest.Technician(), technicianPages(), nil},
		{"empty", dashtest.Empty(), []string{"/", "/cohorts/new", "/messages"}, nil},
	}
	screens := []struct {
		name   string
		width  int64
		scheme string
	}{{"360-light", 360, "light"}, {"360-dark", 360, "dark"}, {"1280-light", 1280, "light"}, {"1280-dark", 1280, "dark"}}
	for _, f := range facilities {
		base := serve(t, dashtest.New(f.snapshot), f.with...)
		for _, path := range f.pages {
			for _, screen := range screens {
				do(t, ctx, chromedp.EmulateViewport(screen.width, 780))
				if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
					Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: screen.scheme}},
				}); err != nil {
					t.Fatal(err)
				}
				do(t, ctx, chromedp.Navigate(base+path),
					chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach((d) => { d.open = true; })`))
				overflow, contrast := eval[[]string](t, ctx, overflowJS), eval[[]string](t, ctx, contrastJS)
				targets, labels := eval[[]string](t, ctx, targetsJS), eval[[]string](t, ctx, labelsJS)
				for what, found := range map[string][]string{"overflows": overflow, "too little contrast": contrast, "too small to tap": targets, "without label": labels} {
					if len(found) > 0 {
						t.Errorf("%s %s at %s: %s: %s", f.name, path, screen.name, what, strings.Join(found, "; "))
					}
				}
				if *shots == "" {
					continue
				}
				do(t, ctx, chromedp.Navigate(base+path))
				picture, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				name := f.name + strings.ReplaceAll(path, "/", "_") + "-" + screen.name + ".png"
				if err := os.WriteFile(filepath.Join(*shots, name), picture, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// linkPages are pages behind links, and that of people.
func linkPages(t *testing.T) []string {
	b := newLinkBook(t)
	of := func(change func(*invite.Invitation)) string { return b.link(heatLink(), change) }
	return []string{
		"/people", b.link(heatLink()), of(func(i *invite.Invitation) { i.Number, i.Begin = 39, dashtest.Now().Add(-45*time.Minute) }),
		of(aboutTest(3)), of(func(i *invite.Invitation) { i.Number = 7 }), of(func(i *invite.Invitation) { i.Expires = dashtest.Now() }),
	}
}

func TestAcknowledgeInBrowser(t *testing.T) {
	ctx := browser(t)
	f := dashtest.New(dashtest.Sample())
	given := f.Given()
	base := serve(t, f)
	const button = chromedp.CSS(".p-critical .act button")
	do(t, ctx,
		chromedp.EmulateViewport(360, 780),
		chromedp.Navigate(base+"/"),
		chromedp.SendKeys(chromedp.CSS(".p-critical .act input[name=who]"), "Ines"),
		chromedp.Click(button),
	)
	until(t, ctx, `document.querySelector(".done") !== null && document.querySelector(".done").checkVisibility()`)
	until(t, ctx, `Number(document.body.dataset.updates) >= 1`)
	// The second time one tap is enough: the name is kept.
	who, err := chromedp.Run(ctx, chromedp.Text(button))
	if err != nil {
		t.Fatal(err)
	}
	do(t, ctx, chromedp.Click(button))
	want := fold.Order{Verb: alerts.Acknowledge, Key: alerts.Key{Condition: "heat", Room: "nursery"}, Who: "Ines", Incident: true}
	for range 2 {
		select {
		case cmd := <-given:
			if cmd != fold.Command(want) {
				t.Errorf("got command %#v, want %#v", cmd, want)
			}
		case <-ctx.Done():
			t.Fatal("no command arrived")
		}
	}
	if !strings.Contains(who, "Ines") {
		t.Errorf("button says %q, want the kept name", who)
	}
}

func TestPageUpdatesItself(t *testing.T) {
	ctx := browser(t)
	f := dashtest.New(dashtest.Sample())
	base := serve(t, f)
	do(t, ctx, chromedp.Navigate(base+"/"))
	until(t, ctx, `Number(document.body.dataset.updates) >= 1`)
	// A mark that a reload would wipe, and a half-typed name.
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`window.untouched = true`),
		chromedp.SendKeys(chromedp.CSS(".p-critical .act input[name=who]"), "In"))
	next := dashtest.Sample()
	*next.Rooms[1].Temperature = 28.7
	next.Alarms[2].Under, next.Incidents = nil, next.Incidents[:1]
	next.Alarms[0].Title = "Nursery is much too hot"
	f.Publish(next)
	until(t, ctx, `document.querySelector("[data-key='r|glasshouse'] .reading").textContent.startsWith("28.7")`)
	until(t, ctx, `document.querySelector("[data-key='a|sensor_silent|emergence|emergence-door']") !== null`)
	until(t, ctx, `document.getElementById("announce").textContent.includes("much too hot")`)
	typed := eval[string](t, ctx, `document.querySelector(".p-critical .act input[name=who]").value`)
	untouched := eval[bool](t, ctx, `window.untouched === true`)
	title := eval[string](t, ctx, `document.title`)
	if !untouched {
		t.Error("the page was reloaded instead of updated")
	}
	if typed != "In" {
		t.Errorf("the half-typed name became %q", typed)
	}
	if !strings.HasPrefix(title, "(3) ") {
		t.Errorf("title %q does not count the three waiting alarms", title)
	}
}

// TestLostLinkShows moves the browser's clock instead of waiting.
func TestLostLinkShows(t *testing.T) {
	ctx := browser(t)
	f := dashtest.New(dashtest.Sample())
	site, err := web.New(f, web.Options{Now: dashtest.Now, Wall: dashtest.Now, Pace: 10 * time.Millisecond, Beat: 200 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(web.Protect(site, web.Access{}))
	defer server.Close()
	do(t, ctx, chromedp.Navigate(server.URL+"/"))
	until(t, ctx, `Number(document.body.dataset.updates) >= 1`)
	site.Close()
	server.CloseClientConnections()
	if err := server.Listener.Close(); err != nil {
		t.Fatal(err)
	}
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`(() => { const real = Date.now; Date.now = () => real() + 47000; })()`))
	until(t, ctx, `!document.getElementById("lost").hidden`)
	shown := eval[string](t, ctx, `document.getElementById("lost").textContent`)
	ages := eval[string](t, ctx, `getComputedStyle(document.querySelector(".age"), "::after").content + getComputedStyle(document.querySelector(".age")).fontSize`)
	if !strings.Contains(shown, "has not heard from rearguard for 40 s") {
		t.Errorf("banner says %q", shown)
	}
	if ages != `"age unknown"0px` {
		t.Errorf("ages still look fresh: %q", ages)
	}
}
