package web_test

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
	"rearguard/dashboards/dashtest"
)

// learned is the sample with a library, air to expect, a monarch cohort with
// progress, and finished cohorts that taught something.
func learned(t *testing.T) *snapshot.Snapshot {
	t.Helper()
	library := speciestest.Library(t)
	s := dashtest.Sample()
	s.Catalog, s.Starting, s.Learning = library, library, &study.Learning{}
	for i := range s.Rooms {
		s.Rooms[i].Expected = &snapshot.ExpectedAir{
			From: snapshot.AirFromDays, Days: 9, Air: dayAndNight(25, 1, time.UTC), Doubt: forecast.AirUncertainty{DayMeanSDC: 0.6, Persistence: 0.5},
		}
	}
	s.Rooms[0].Bending = []snapshot.BendingError{{SpeciesName: "Monarch", StageName: "instar 4", Days: 9, Relative: -0.012}}
	sp, _ := library.Species("danaus-plexippus")
	c := &s.Cohorts[0]
	p, err := population.NewProgress(sp, &population.Cohort{ID: c.ID, Species: sp.ID, Start: s.Time.Add(-11 * 24 * time.Hour), StartStage: "egg", Individuals: 60})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Advance(population.Segment{From: p.Time(), To: s.Time, FromC: 25, ToC: 25}); err != nil {
		t.Fatal(err)
	}
	stage, _ := p.Main()
	if err := p.Count(population.Count{ID: 7, Time: s.Time, Stage: stage, Seen: 40, Of: 52, Lost: 2, Cause: "stuck <skin>", By: "Ines"}); err != nil {
		t.Fatal(err)
	}
	o, err := forecast.NewOutlook(s.Rooms[0].Expected.Air, s.Rooms[0].Expected.Doubt, s.Time.Add(-time.Hour), 20*24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	numbers, err := forecast.NumbersIn(p, o, o.LocalDays(p.Time(), s.Location), []time.Time{s.Time, s.Time.Add(7 * 24 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	c.Daily, c.Week = numbers[0], numbers[1]
	c.Progress, c.Verdicts, c.Losses = p, p.Verdicts(), population.SumLosses(p.Losses())
	c.Rate, c.RateSD = p.RateFactor()
	c.Verdicts[0].Conflict = true
	for i, d := range []float64{3.4, 2.9, 2.6, 2.3} {
		s.Learning.Observations = append(s.Learning.Observations, study.Observation{
			Cohort: population.CohortID(fmt.Sprintf("<old>-%d", i)), Species: sp.ID, Stage: "egg", Until: "larva-1",
			Days: d, DoubtDays: 0.15, TemperatureC: 22 + 2*float64(i), Ended: s.Time,
		})
	}
	return s
}

func TestPlanPageAnswers(t *testing.T) {
	h := site(t, dashtest.New(learned(t)), 0)
	for path, want := range map[string][]string{
		"/plan": {"So many adults by a date", "Shift an emergence", "Ship pupae", "Host plant"},
		"/plan?ask=emergences&species=danaus-plexippus&count=60&by=2026-06-30&chance=80": {"eggs <small>laid on", "chance of missing it", "survival from egg to adult is assumed"},
		"/plan?ask=shift&cohort=dp-0412&to=2026-06-04":                                   {"Safe for every stage still to pass", "Caution: every cohort in the room"},
		"/plan?ask=shift&cohort=dp-0412&to=2026-06-04&celsius=44":                        {"44.0 °C is outside the safe limits"},
		"/plan?ask=shipping&cohort=dp-0412&celsius=18&hours=36":                          {"Days left after arrival", "pupa"},
		"/plan?ask=food&species=danaus-plexippus&grams=12":                               {"Larvae feeding", "Cut more than is eaten"},
		"/plan?ask=food&species=danaus-plexippus&grams=much":                             {"Enter what one larva eats in its life, in grams, as a number."},
		"/plan?ask=emergences&species=unicorn&count=60&by=2026-06-30":                    {"There is no species &#34;unicorn&#34;"},
		"/plan?ask=emergences&species=danaus-plexippus&count=60&by=2019-06-30":           {"is not within the next 400 days"},
		"/cohorts/dp-0412": {"Animals to expect", "Conflict:", "By its counts this cohort develops", "stuck &lt;skin&gt;", "/calendar.ics?species=danaus-plexippus", "Typical body length"},
		"/":                {"Animals to expect", "Within seven days"},
		"/rooms/nursery":   {"Air to expect", "-1.2 % of the thermal time", "/calendar.ics?room=nursery"},
	} {
		w := get(h, path)
		for _, text := range want {
			if !strings.Contains(w.Body.String(), text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
		for _, bad := range []string{"NaN", "%!", "<no value>", "ZgotmplZ", "Inf"} {
			if w.Code != http.StatusOK || strings.Contains(w.Body.String(), bad) {
				t.Errorf("%s: status %d, or %q in it", path, w.Code, bad)
			}
		}
	}
}

func TestLearningPagesAndDecisions(t *testing.T) {
	f := dashtest.New(learned(t))
	h := site(t, f, 0)
	if body := get(h, "/learning").Body.String(); !strings.Contains(body, "/learning/danaus-plexippus") || !strings.Contains(body, "4 finished cohorts") || !strings.Contains(body, "1 waits for a decision") {
		t.Errorf("list of what was learned: %s", body)
	}
	body := get(h, "/learning/danaus-plexippus").Body.String()
	for _, want := range []string{`<svg class="fit"`, `class="interval"`, "Corrected by own cohorts", "Own regression", "Own Ikemoto–Takai line", "&lt;old&gt;-2", ">Adopt</button>", "Keep the starting values"} {
		if !strings.Contains(body, want) {
			t.Errorf("page lacks %q", want)
		}
	}
	if strings.Contains(body, "<old>") || strings.Contains(body, "NaN") {
		t.Error("a name is not escaped, or a number is none")
	}
	form := url.Values{"species": {"danaus-plexippus"}, "stage": {"egg"}, "until": {"larva-1"}, "observations": {"4"}, "fit": {"corrected"}, "who": {"Ines"}}
	if w := send(h, "/learning/adopt", form); w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/learning/danaus-plexippus") {
		t.Errorf("adopting: status %d, to %q", w.Code, w.Header().Get("Location"))
	}
	if w := send(h, "/learning/refuse", form); w.Code != http.StatusSeeOther {
		t.Errorf("refusing: status %d", w.Code)
	}
	key := study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}
	want := []fold.Command{
		fold.AdoptConstants{Key: key, Fit: "corrected", Observations: 4, Who: "Ines"},
		fold.RefuseConstants{Key: key, Observations: 4, Who: "Ines"},
	}
	if got := f.Commands(); len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("commands %+v", got)
	}
	form.Del("who")
	if w := send(h, "/learning/adopt", form); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("without a name: status %d", w.Code)
	}
	if w := get(h, "/learning/unicorn"); w.Code != http.StatusNotFound {
		t.Errorf("unknown species: status %d", w.Code)
	}
}

// dayAndNight is a day with a mean, and an amplitude (half of the difference
// between warmest and coolest) as a cosine with its peak at 15 h.
func dayAndNight(meanC, amplitudeC float64, loc *time.Location) forecast.DiurnalAir {
	d := forecast.DiurnalAir{Location: loc}
	for h := range d.HourC {
		d.HourC[h] = meanC + amplitudeC*math.Cos(2*math.Pi*float64(h-15)/24)
	}
	return d
}
