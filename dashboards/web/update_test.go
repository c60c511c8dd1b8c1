package web_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
	"rearguard/sensors"
)

// sameAsReloadJS compares the live sections of the open page with those of
// the page as the server gives it now, white space between tags aside.
const sameAsReloadJS = `(async () => {
  const fresh = new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
  const words = (e) => e.innerHTML.replace(/\s+/g, " ").replace(/> /g, ">").replace(/ </g, "<");
  return [...document.querySelectorAll("[data-live]")].filter((s) => words(s) !== words(fresh.getElementById(s.id))).map((s) => s.id);
})()`

// changed returns the sample with things come, gone and changed at random.
func changed(random *rand.Rand) *snapshot.Snapshot {
	s := dashtest.Sample()
	s.Time = s.Time.Add(time.Duration(random.IntN(600)) * time.Second)
	maybe := func() bool { return random.IntN(2) == 0 }
	some := func(n int, swap func(i, j int)) int {
		random.Shuffle(n, swap)
		return random.IntN(n + 1)
	}
	s.Rooms = s.Rooms[:some(len(s.Rooms), func(i, j int) { s.Rooms[i], s.Rooms[j] = s.Rooms[j], s.Rooms[i] })]
	s.Alarms = s.Alarms[:some(len(s.Alarms), func(i, j int) { s.Alarms[i], s.Alarms[j] = s.Alarms[j], s.Alarms[i] })]
	s.Sensors = s.Sensors[:some(len(s.Sensors), func(i, j int) { s.Sensors[i], s.Sensors[j] = s.Sensors[j], s.Sensors[i] })]
	s.Cohorts = s.Cohorts[:some(len(s.Cohorts), func(i, j int) { s.Cohorts[i], s.Cohorts[j] = s.Cohorts[j], s.Cohorts[i] })]
	for i := range s.Rooms {
		if maybe() && s.Rooms[i].Temperature != nil {
			v := 20 + 10*random.Float64()
			s.Rooms[i].Temperature = &v
		}
	}
	for i := range s.Sensors {
		s.Sensors[i].Silent = maybe()
		s.Sensors[i].Flag = sensors.Flag(1 + random.IntN(4))
	}
	s.Broker.Connected, s.Store.OK = maybe(), maybe()
	return s
}

// TestUpdatesEqualReload publishes forty facilities in a row. After each, the
// page that kept itself up to date must be the page a reload would show.
func TestUpdatesEqualReload(t *testing.T) {
	ctx := browser(t)
	f := dashtest.New(dashtest.Sample())
	base := serve(t, f)
	do(t, ctx, chromedp.Navigate(base+"/"))
	until(t, ctx, `Number(document.body.dataset.updates) >= 1`)
	random := rand.New(rand.NewPCG(5, 14))
	for step := range 40 {
		f.Publish(changed(random))
		var differs []string
		for range 50 {
			var err error
			differs, err = chromedp.Run(ctx, chromedp.Evaluate[[]string](sameAsReloadJS, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			if len(differs) == 0 {
				break
			}
		}
		if len(differs) > 0 {
			t.Fatalf("step %d: %s differ from a reload", step, strings.Join(differs, ", "))
		}
	}
	if n := eval[float64](t, ctx, `performance.getEntriesByType("navigation").length + performance.getEntriesByType("resource").filter((e) => e.name.includes("/live")).length`); n > 3 {
		t.Errorf("the page connected anew to keep up: %v", n)
	}
}

// TestHeldPieceCatchesUp: while somebody types in an alarm, it stays as it
// is; once the field is left, the alarm shows what has become of it.
func TestHeldPieceCatchesUp(t *testing.T) {
	ctx := browser(t)
	f := dashtest.New(dashtest.Sample())
	base := serve(t, f)
	do(t, ctx, chromedp.Navigate(base+"/"))
	until(t, ctx, `Number(document.body.dataset.updates) >= 1`)
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(".p-critical .act input[name=who]"), "In"))
	for i := range 3 {
		s := dashtest.Sample()
		s.Alarms[0].Value = 35 + float64(i)
		*s.Rooms[1].Temperature = 30 + float64(i)
		f.Publish(s)
		until(t, ctx, fmt.Sprintf(`document.querySelector("[data-key='r|glasshouse'] .reading").textContent.startsWith("%d.0")`, 30+i))
	}
	if held := eval[string](t, ctx, `document.querySelector(".p-critical .strong").textContent`); !strings.HasPrefix(held, "34.2") {
		t.Errorf("the alarm changed under the typing hand: %s", held)
	}
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.activeElement.blur()`))
	until(t, ctx, `document.querySelector(".p-critical .strong").textContent.startsWith("37.0")`)
	if typed := eval[string](t, ctx, `document.querySelector(".p-critical .act input[name=who]").value`); typed != "In" {
		t.Errorf("the half-typed name became %q", typed)
	}
}

// TestUnchangedPageIsLeftAlone: the first update brings what the page has
// already, and must not touch an element somebody is about to tap.
func TestUnchangedPageIsLeftAlone(t *testing.T) {
	ctx := browser(t)
	base := serve(t, dashtest.New(dashtest.Sample()))
	do(t, ctx, chromedp.Navigate(base+"/"))
	// The observer may start after the first update: connect once more for it.
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`(() => { window.touched = [];
		new MutationObserver((all) => all.forEach((m) => window.touched.push(m.target.id || m.target.className || m.target.tagName)))
			.observe(document.getElementById("main"), { childList: true, subtree: true, attributes: true, characterData: true });
		window.before = Number(document.body.dataset.updates || 0);
		dispatchEvent(new PageTransitionEvent("pageshow", { persisted: true })); })()`))
	until(t, ctx, `Number(document.body.dataset.updates) > window.before`)
	for _, touched := range eval[[]string](t, ctx, `[...new Set(window.touched)]`) {
		t.Errorf("%s was touched though nothing changed", touched)
	}
}
