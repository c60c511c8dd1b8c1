package cohorts

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"

	"rearguard/daemon/development/fitting"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
	"rearguard/dashboards/web/chart"
	"rearguard/dashboards/web/page"
)

// learnedSpecies is a line of the page on everything learned.
type learnedSpecies struct {
	ID   species.ID
	Name string
	// Cohorts taught it; Open counts the fits that wait for a decision.
	Cohorts, Fits, Open int
}

const learningTitle = "What finished cohorts taught"

func buildLearning(v *page.View, _ *http.Request) (page.Content, error) {
	var list []learnedSpecies
	if v.S.Learning == nil || v.S.Starting == nil {
		return page.Content{Title: learningTitle, Data: list}, nil
	}
	for _, f := range study.Fits(v.S.Starting, v.S.Learning.Observations) {
		if len(list) == 0 || list[len(list)-1].ID != f.Species {
			list = append(list, learnedSpecies{ID: f.Species, Name: string(f.Species), Cohorts: teachers(v.S.Learning, f.Species)})
			if sp, err := v.S.SpeciesOf(f.Species); err == nil {
				list[len(list)-1].Name = sp.Name
			}
		}
		last := &list[len(list)-1]
		last.Fits++
		// Observations that came since somebody decided wait again.
		d := v.S.Learning.Decided(f.Key)
		if f.Proposal != nil && (d == nil || d.Observations != len(f.Observations)) {
			last.Open++
		}
	}
	return page.Content{Title: learningTitle, Data: list}, nil
}

// teachers counts the cohorts that taught something about a species.
func teachers(l *study.Learning, id species.ID) int {
	cohorts := map[population.CohortID]bool{}
	for _, o := range l.Observations {
		if o.Species == id {
			cohorts[o.Cohort] = true
		}
	}
	return len(cohorts)
}

// learnedFit is one fit as the page of a species shows it.
type learnedFit struct {
	*study.Fit
	SVG      template.HTML
	Rows     []estimateRow
	Decision *study.Decision
	// Stated is set when facility.yaml gives the constants itself.
	Stated bool
	Best   *study.Curve
}

// estimateRow is one way to read the observations.
type estimateRow struct {
	Name, Line, Threshold, Requirement, Days string
	// Choice is what the button adopts, empty for the starting values.
	Choice string
}

type learningModel struct {
	Species *snapshot.Species
	Fits    []learnedFit
}

func buildLearned(v *page.View, r *http.Request) (page.Content, error) {
	kind, err := v.S.SpeciesOf(species.ID(r.PathValue("id")))
	if err != nil {
		return page.Content{}, err
	}
	m := learningModel{Species: kind}
	for _, f := range fitsWithCurves(v.S, kind.ID) {
		one := learnedFit{
			Fit: &f, Rows: rowsOf(&f), SVG: chart.Fit(&f), Decision: v.S.Learning.Decided(f.Key), Stated: v.S.Starting.Stated(f.Species, f.Stage),
		}
		if i := slices.IndexFunc(f.Curves, func(c study.Curve) bool { return c.Determined && c.AICc != nil }); i >= 0 {
			one.Best = &f.Curves[i]
		}
		m.Fits = append(m.Fits, one)
	}
	return page.Content{Title: kind.Name + ": what finished cohorts taught", Data: m}, nil
}

// fitsWithCurves are the fits of one species.
func fitsWithCurves(s *snapshot.Snapshot, id species.ID) []study.Fit {
	if s.Learning == nil || s.Starting == nil {
		return nil
	}
	others := func(o study.Observation) bool { return o.Species != id }
	return study.WithCurves(study.Fits(s.Starting, slices.DeleteFunc(slices.Clone(s.Learning.Observations), others)))
}

func rowsOf(f *study.Fit) []estimateRow {
	var rows []estimateRow
	add := func(name, line, choice string, e *fitting.Estimate) {
		if e == nil || e.Requirement == 0 {
			return
		}
		row := estimateRow{
			Name: name, Line: line, Choice: choice,
			Threshold:   fmt.Sprintf("%.1f ± %.1f °C", e.ThresholdC, e.ThresholdSE()),
			Requirement: fmt.Sprintf("%.0f ± %.0f degree-days", e.Requirement, e.RequirementSE()),
			Days:        "does not develop",
		}
		if days, se := e.Days(25); !math.IsInf(days, 0) {
			row.Days = fmt.Sprintf("%.1f ± %.1f", days, se)
		}
		rows = append(rows, row)
	}
	add("Starting values", "dashed grey", "", &f.Start)
	add("Corrected by own cohorts", "green, with its 80 % range", study.Corrected, f.Proposal)
	if f.Regression != nil {
		add("Own regression", "dashed blue", study.OwnRegression, &f.Regression.Estimate)
	}
	if f.IkemotoTakai != nil {
		add("Own Ikemoto–Takai line", "not drawn", study.OwnIkemotoTakai, &f.IkemotoTakai.Estimate)
	}
	return rows
}

func adopt(f *page.Form) (page.Outcome, error) {
	cmd := fold.AdoptConstants{Key: learnedKey(f), Fit: f.Text("fit"), Observations: f.Whole("observations"), Who: f.Person()}
	return page.Outcome{Command: cmd, Done: "adopted", Back: learnedPath(f)}, nil
}

func refuse(f *page.Form) (page.Outcome, error) {
	cmd := fold.RefuseConstants{Key: learnedKey(f), Observations: f.Whole("observations"), Who: f.Person()}
	return page.Outcome{Command: cmd, Done: "refused", Back: learnedPath(f)}, nil
}

func learnedKey(f *page.Form) study.Key {
	return study.Key{Species: species.ID(f.Text("species")), Stage: species.StageID(f.Text("stage")), Until: species.StageID(f.Text("until"))}
}

func learnedPath(f *page.Form) string { return page.To("/learning", f.Text("species")) }
