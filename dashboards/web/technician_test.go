package web_test

import (
	"context"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/fold"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// technicianPages are the technician's pages of the sample.
func technicianPages() []string {
	first, second := dashtest.Technician().Sensors[0].ID, dashtest.Technician().Sensors[1].ID
	return []string{
		"/technician", fmt.Sprintf("/technician/find/%d", dashtest.Now().Add(-2*time.Minute).UnixMilli()),
		"/technician/claim?topic=" + url.QueryEscape("site/new/attic-window-left"), "/technician/claim?topic=" + url.QueryEscape("homie/5/greenhouse-device-with-a-long-name"),
		"/sensors/" + string(first), "/sensors/" + string(first) + "/bench", "/sensors/" + string(second) + "/bench",
		"/certificates/20250513-001", "/rooms/nursery", "/sensors/" + string(first) + "/history", "/sensors/nursery-old/history",
	}
}

// technicianSite serves the technician's sample with a week of history.
func technicianSite(t *testing.T, f *dashtest.Facility) http.Handler {
	t.Helper()
	history := func(_ context.Context, series sensors.Series, from, to time.Time, yield func(sensors.Reading) bool) error {
		old := series.Sensor == "nursery-old"
		for at := from; at.Before(to); at = at.Add(10 * time.Minute) {
			if old != at.Before(to.Add(-84*time.Hour)) {
				continue
			}
			r := sensors.Reading{Series: series, Time: at, Value: 24, Flag: sensors.Pass}
			if at.Minute() == 36 {
				r.Value, r.Flag = 85, sensors.Fail
			}
			if !yield(r) {
				break
			}
		}
		return nil
	}
	site, err := web.New(f, web.Options{Now: dashtest.Now, Wall: dashtest.Now, History: history})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(site.Close)
	return web.Protect(site, testAccess())
}

func TestTechnicianPagesSayWhatMatters(t *testing.T) {
	s := dashtest.Technician()
	s.Sensors[0].Replaces = "nursery-old"
	server := technicianSite(t, dashtest.New(s))
	first, second := string(s.Sensors[0].ID), string(s.Sensors[1].ID)
	for path, want := range map[string][]string{
		"/technician": {"site/new/attic-window-left", "temperature 23.41", "every 1 min", "first seen 11 min ago", "was due", "A reminder, not an alarm", "outdoor air: counts for no cohort",
			"Rooms whose sensors disagree", "Rooms with one sensor", "battery empty in about 21 days", "holds no number"},
		technicianPages()[1]:             {"site/new/attic-window-left</strong> rises against all others", "this one"},
		"/sensors/" + first:              {"drifted by +1.2", "Suspect: counts for alarms on harm, not for thermal time", "Failed: not used", "+1.20 °C</strong>", "single spike of 6.2", "20250513-001", "gone", "Own clock", "-1.40 % a day", "1.4 m"},
		"/sensors/" + second + "/bench":  {"MgCl2 at 25.0 °C", ">Wait<", "watched for", "potassium sulphate", "No mains voltage near water", "Nitrates feed fire"},
		"/sensors/" + first + "/bench":   {"Put it on the bench", "counts for nothing but its calibration"},
		"/certificates/20250513-001":     {"1.0000 × reading -0.420", "±0.06", "ice point", "Ines", "serial 4711", "k = 2", "Signature"},
		"/rooms/nursery":                 {"the sensors disagree by 2.3", "+1.2", "agree within 3.0", "thermal time does not"},
		"/sensors/" + first + "/history": {"before it nursery-old", "nursery-old from", "not used"},
	} {
		body := html.UnescapeString(get(server, path).Body.String())
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s does not say %q", path, w)
			}
		}
	}
}

func TestTechnicianForms(t *testing.T) {
	f := dashtest.New(dashtest.Technician())
	given := f.Given()
	server := technicianSite(t, f)
	second := dashtest.Technician().Sensors[1].ID
	bench := "/sensors/" + string(second) + "/bench"
	next := func() fold.Command {
		t.Helper()
		select {
		case c := <-given:
			return c
		case <-time.After(10 * time.Second):
			t.Fatal("no command arrived")
			return nil
		}
	}
	send(server, "/technician/claim", url.Values{
		"topic": {"site/new/attic-window-left"}, "id": {"attic"}, "room": {"supply-air"}, "height": {"2,5"}, "value0": {"temperature °F"}, "who": {"Ines"},
	})
	claim, ok := next().(fold.ClaimSensor)
	if in := claim.Sensor.Inputs; !ok || claim.Who != "Ines" || claim.Sensor.ID != "attic" || claim.Sensor.Room != "" || claim.Sensor.Place != "supply-air" || *claim.Sensor.HeightM != 2.5 ||
		in[0].Topic != "site/new/attic-window-left" || in[0].Values[0].Unit != "°F" || in[0].Values[0].At != "/temperature" {
		t.Errorf("claimed %+v", claim)
	}
	send(server, bench+"/read", url.Values{"kind": {"salt"}, "salt": {"NaCl"}, "celsius": {"24,6"}, "celsius_error": {"0.2"}, "who": {"Ines"}})
	if read, ok := next().(fold.ReadBench); !ok || read.Sensor != second || read.Reference.Salt != calibration.SodiumChloride || read.Reference.Celsius != 24.6 || read.Reference.CelsiusError != 0.2 {
		t.Errorf("read %+v", read)
	}
	send(server, "/sensors/"+string(second)+"/reapply", url.Values{"quantity": {"temperature"}, "from": {"2026-05-01T10:00"}, "who": {"Ines"}})
	if again, ok := next().(fold.ReapplyCalibration); !ok || !again.From.Equal(time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)) {
		t.Errorf("re-applied %+v", again)
	}
	for name, c := range map[string]struct {
		path string
		form url.Values
		want string
	}{
		"no name":         {"/technician/claim", url.Values{"topic": {"site/new/attic-window-left"}, "id": {"attic"}, "room": {"outdoor"}, "value0": {"temperature °C"}}, "Enter your name"},
		"nothing chosen":  {"/technician/claim", url.Values{"topic": {"site/new/attic-window-left"}, "id": {"attic"}, "room": {"outdoor"}, "who": {"I"}}, "at least one of the numbers"},
		"taken":           {"/technician/claim", url.Values{"topic": {"site/new/attic-window-left"}, "id": {string(second)}, "room": {"outdoor"}, "value0": {"temperature °C"}, "who": {"I"}}, "already"},
		"odd height":      {"/technician/claim", url.Values{"topic": {"site/new/attic-window-left"}, "id": {"x"}, "room": {"outdoor"}, "height": {"high"}, "who": {"I"}}, "height in metres"},
		"gone topic":      {"/technician/claim", url.Values{"topic": {"no/such"}, "id": {"x"}, "room": {"outdoor"}, "who": {"I"}}, "not known here"},
		"salt of no heat": {bench + "/read", url.Values{"kind": {"salt"}, "salt": {"NaCl"}, "who": {"I"}}, "temperature of the salt"},
		"no number":       {bench + "/read", url.Values{"kind": {"instrument"}, "value": {"warm"}, "who": {"I"}}, "enter a number"},
		"bad date":        {bench + "/finish", url.Values{"due": {"soon"}, "who": {"I"}}, "date like"},
		"no time":         {"/sensors/" + string(second) + "/reapply", url.Values{"quantity": {"temperature"}, "who": {"I"}}, "from when on"},
	} {
		if body := send(server, c.path, c.form).Body.String(); !strings.Contains(body, c.want) {
			t.Errorf("%s: the answer does not say %q", name, c.want)
		}
	}
}
