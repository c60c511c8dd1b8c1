package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
)

func TestDoubtedClock(t *testing.T) {
	s := dashtest.Sample()
	f := dashtest.New(s)
	h := site(t, f, 0)
	if body := get(h, "/").Body.String(); strings.Contains(body, "not believed") {
		t.Error("a banner about a clock that is believed")
	}
	doubted := *s
	doubted.Clock.Doubt = snapshot.PartTrouble{Since: dashtest.Now(), Problem: "it says 1 Jan 1970"}
	doubted.Clock.ClockSteps = snapshot.ClockSteps{Steps: 3, Last: snapshot.ClockStep{From: dashtest.Now(), To: dashtest.Now(), Why: "two sensors agree"}}
	f.Publish(&doubted)
	for path, wants := range map[string][]string{
		"/":      {"The clock of this machine is not believed.", "it says 1 Jan 1970", `href="/clock"`},
		"/clock": {"it says 1 Jan 1970", `action="/clock/confirm"`, "two sensors agree", "Times moved in all: 3"},
	} {
		body := get(h, path).Body.String()
		for _, want := range wants {
			if !strings.Contains(body, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
	}
	if w := send(h, "/clock/confirm", url.Values{"who": {""}}); w.Code == http.StatusSeeOther {
		t.Error("confirmed by nobody")
	}
	if w := send(h, "/clock/confirm", url.Values{"who": {"Ana"}}); w.Code != http.StatusSeeOther {
		t.Errorf("confirming: %d %s", w.Code, w.Body)
	}
	if d := cmp.Diff([]fold.Command{fold.ConfirmClock{Who: "Ana"}}, f.Commands()); d != "" {
		t.Errorf("commands (-want +got):\n%s", d)
	}
}
