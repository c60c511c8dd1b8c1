package main

import (
	"context"
	"encoding/json"
	"strings"

	"github.com/chromedp/chromedp"

	"rearguard/dashboards/api"
)

// drill starts a drill on the page, answers one of its notices by its link and
// another on the page, and returns the link. Nothing of it is an alarm.
func (p phone) drill(ctx context.Context, d *daemonProcess, box *mailbox) (link string) {
	p.t.Helper()
	var before, after []api.Incident
	d.get("/api/v1/incidents", &before)
	p.do(ctx, chromedp.Navigate("http://"+d.pages+"/people"))
	p.says(ctx, "no test arrived yet")
	p.do(ctx, chromedp.SendKeys(chromedp.CSS("input[name=who]"), "Ines"))
	p.tap(ctx, `button[formaction="/people/drill"]`)
	p.says(ctx, "Started. Each notice asks to be answered")
	p.says(ctx, "No answer yet: Ada Lead, Keeper")
	link = box.mail("lead@example.org", "Test from Moth House: nothing is wrong").link(p.t)
	if hook := box.call("test"); hook.Data.State != "normal" || hook.Data.AnswerLink == "" || hook.Data.Recipient != "keeper" {
		p.t.Errorf("webhook %+v", hook)
	}
	p.do(ctx, chromedp.Navigate(link))
	p.says(ctx, "Nothing is wrong. Say that the test by mail arrived")
	p.tap(ctx, "#arrived")
	p.says(ctx, "Thank you, Ada Lead")
	p.do(ctx, chromedp.Navigate("http://"+d.pages+"/people"))
	p.says(ctx, "No answer yet: Keeper")
	p.tap(ctx, ".said button")
	p.says(ctx, "Everybody answered.")
	p.says(ctx, "says Ines")

	out, _, err := runProgram(p.t, &drillCommand{}, "", "--list", "--json", "--url", "http://"+d.pages)
	if err != nil {
		p.t.Fatal(err)
	}
	var list api.Drills
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		p.t.Fatal(err)
	}
	if len(list.Drills) != 1 || list.Drills[0].Who != "Ines" || len(list.Drills[0].List) != 3 || len(list.Drills[0].Silent) > 0 {
		p.t.Fatalf("drills %+v", list)
	}
	for i, want := range []string{"lead mail Ada Lead", "keeper mail Ines", "keeper hook "} {
		n := list.Drills[0].List[i]
		if got := strings.Join([]string{n.Person, n.Channel, n.By}, " "); got != want || n.Taken == nil || (n.Took != nil) != (n.By != "") {
			p.t.Errorf("notice %d is %+v, want %q", i, n, want)
		}
	}
	d.get("/api/v1/incidents", &after)
	if len(after) != len(before) {
		p.t.Errorf("the drill made %d incidents of %d", len(after), len(before))
	}
	return link
}
