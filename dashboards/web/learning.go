package web

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"rearguard/daemon"
	"rearguard/daemon/development/fitting"
	"rearguard/daemon/rearing"
	"rearguard/daemon/study"
	"rearguard/dashboards/entry"
)

// learnedSpecies is a line of the page on everything learned.
type learnedSpecies struct {
	ID   rearing.SpeciesID
	Name string
	// Cohorts taught it; Open counts the fits that wait for a decision.
	Cohorts, Fits, Open int
}

func learningPage(v *view, _ *http.Request) (pageSpec, error) {
	var list []learnedSpecies
	for _, f := range fitsOf(v.S, "", false) {
		if len(list) == 0 || list[len(list)-1].ID != f.Species {
			list = append(list, learnedSpecies{ID: f.Species, Name: v.speciesName(f.Species)})
		}
		last := &list[len(list)-1]
		last.Fits++
		if waits(v.S.Learning, &f) {
			last.Open++
		}
		seen := map[rearing.CohortID]bool{}
		for _, o := range v.S.Learning.Observations {
			if o.Species == f.Species {
				seen[o.Cohort] = true
			}
		}
		last.Cohorts = len(seen)
	}
	return pageSpec{Title: "What finished cohorts taught", Data: list, Sections: []sectionSpec{{"learning", false}}}, nil
}

// fitsOf are the fits of one species, or of all.
func fitsOf(s *daemon.Snapshot, id rearing.SpeciesID, curves bool) []study.Fit {
	if s.Learning == nil || s.Starting == nil {
		return nil
	}
	observations := s.Learning.Observations
	if id != "" {
		observations = slices.DeleteFunc(slices.Clone(observations), func(o study.Observation) bool { return o.Species != id })
	}
	return study.Fits(s.Starting, observations, curves)
}

// waits reports whether observations came since somebody decided.
func waits(l *daemon.Learning, f *study.Fit) bool {
	d := l.Decided(f.Key)
	return f.Proposal != nil && (d == nil || d.Observations != len(f.Observations))
}

func (v *view) speciesName(id rearing.SpeciesID) string {
	for _, s := range v.S.Species {
		if s.ID == id {
			return s.Name
		}
	}
	return string(id)
}

// learnedFit is one fit as the page of a species shows it.
type learnedFit struct {
	*study.Fit
	SVG      template.HTML
	Rows     []estimateRow
	Decision *daemon.Decision
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
	Species *daemon.SpeciesView
	Fits    []learnedFit
}

func learnedSpeciesPage(v *view, r *http.Request) (pageSpec, error) {
	species, err := entry.FindSpecies(v.S, rearing.SpeciesID(r.PathValue("id")))
	if err != nil {
		return pageSpec{}, err
	}
	m := learningModel{Species: species}
	for _, f := range fitsOf(v.S, species.ID, true) {
		one := learnedFit{Fit: &f, Rows: rowsOf(&f), SVG: drawFit(&f), Decision: v.S.Learning.Decided(f.Key)}
		one.Stated = v.S.Starting.Stated(f.Species, f.Stage)
		for i := range f.Curves {
			if f.Curves[i].Determined && f.Curves[i].AICc != nil {
				one.Best = &f.Curves[i]
				break
			}
		}
		m.Fits = append(m.Fits, one)
	}
	return pageSpec{Title: species.Name + ": what finished cohorts taught", Data: m, Sections: []sectionSpec{{"learned-species", false}}}, nil
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

// learnedKey reads the key of a fit from a form.
func (f form) learnedKey() study.Key {
	return study.Key{Species: rearing.SpeciesID(f.get("species")), Stage: rearing.StageID(f.get("stage")), Until: rearing.StageID(f.get("until"))}
}

func (f form) learned() (back string, n int, who string, err error) {
	back = "/learning/" + url.PathEscape(f.get("species"))
	if n, err = f.whole("observations"); err != nil {
		return back, n, who, err
	}
	who, err = entry.Who(f.get("who"))
	return back, n, who, err
}

func postAdopt(f form) (outcome, builder, error) {
	back, n, who, err := f.learned()
	cmd := daemon.AdoptConstants{Key: f.learnedKey(), Fit: f.get("fit"), Observations: n, Who: who}
	return outcome{cmd, who, "adopted", back}, nil, err
}

func postRefuse(f form) (outcome, builder, error) {
	back, n, who, err := f.learned()
	cmd := daemon.RefuseConstants{Key: f.learnedKey(), Observations: n, Who: who}
	return outcome{cmd, who, "refused", back}, nil, err
}

// The drawing of a fit, in its own units.
const (
	fitWidth, fitHeight         = 460.0, 290.0
	fitLeft, fitBottom, fitEdge = 34.0, 42.0, 14.0
)

// niceStep divides an axis into three to seven steps of 1, 2 or 5 times a power
// of ten.
func niceStep(most float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(most/3)))
	for _, m := range []float64{1, 2, 5} {
		if most/(m*base) <= 7 {
			return m * base
		}
	}
	return 10 * base
}

// drawFit draws the observed rates over temperature with the lines through
// them.
func drawFit(f *study.Fit) template.HTML {
	low, high, most := math.Inf(1), math.Inf(-1), 0.0
	for _, o := range f.Observations {
		low, high = math.Min(low, o.TemperatureC), math.Max(high, o.TemperatureC)
		most = math.Max(most, 1/o.Days)
	}
	low, high = math.Floor(low-4), math.Ceil(high+4)
	rate := func(e *fitting.Estimate, c float64) float64 { return math.Max(0, (c-e.ThresholdC)/e.Requirement) }
	for _, e := range []*fitting.Estimate{&f.Start, f.Proposal} {
		if e != nil && e.Requirement > 0 {
			most = math.Max(most, rate(e, high))
		}
	}
	most *= 1.1
	x := func(c float64) float64 { return fitLeft + (fitWidth-fitLeft-fitEdge)*(c-low)/(high-low) }
	y := func(r float64) float64 { return fitEdge + (fitHeight-fitBottom-fitEdge)*(1-r/most) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="fit" viewBox="0 0 %.0f %.0f" role="img" aria-label="Rate of development over temperature, %s">`,
		fitWidth, fitHeight, template.HTMLEscapeString(plural(len(f.Observations), "observation", "observations")))
	fmt.Fprintf(&b, `<path class="axis-line" fill="none" d="M%.1f %.1fV%.1fH%.1f"/>`, fitLeft, fitEdge, fitHeight-fitBottom, fitWidth-fitEdge)
	step := 2.0
	if high-low > 20 {
		step = 5
	}
	for c := math.Ceil(low/step) * step; c <= high; c += step {
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="middle">%.0f</text>`, x(c), fitHeight-fitBottom+18, c)
	}
	fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="end">mean temperature in °C</text>`, fitWidth-fitEdge, fitHeight-5)
	tick := niceStep(most)
	for r := 0.0; r < most; r += tick {
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="end">%.3g</text>`, fitLeft-6, y(r)+4, 100*r)
	}
	fmt.Fprintf(&b, `<text x="%.1f" y="%.1f">%% of the stage a day</text>`, fitLeft+8, fitEdge+10)
	const pieces = 60
	at := func(i int) float64 { return low + (high-low)*float64(i)/pieces }
	if p := f.Proposal; p != nil {
		var upper, lower []string
		for i := range pieces + 1 {
			days, se := p.Days(at(i))
			r, doubt := 0.0, 0.0
			if !math.IsInf(days, 0) {
				r, doubt = 1/days, 1.2816*se/(days*days)
			}
			upper = append(upper, fmt.Sprintf("%.1f %.1f", x(at(i)), y(math.Min(most, r+doubt))))
			lower = append(lower, fmt.Sprintf("%.1f %.1f", x(at(i)), y(math.Max(0, r-doubt))))
		}
		slices.Reverse(lower)
		fmt.Fprintf(&b, `<path class="interval" d="M%sL%sZ"/>`, strings.Join(upper, "L"), strings.Join(lower, "L"))
	}
	line := func(class string, e *fitting.Estimate) {
		if e == nil || e.Requirement <= 0 {
			return
		}
		from := math.Max(low, math.Min(high, e.ThresholdC))
		to := math.Min(high, e.ThresholdC+most*e.Requirement)
		if to > from {
			fmt.Fprintf(&b, `<path class="%s" d="M%.1f %.1fL%.1f %.1f"/>`, class, x(from), y(rate(e, from)), x(to), y(rate(e, to)))
		}
	}
	line("start", &f.Start)
	if f.Regression != nil {
		line("own", &f.Regression.Estimate)
	}
	line("proposal", f.Proposal)
	for _, o := range f.Observations {
		fmt.Fprintf(&b, `<path class="bar-of" d="M%.1f %.1fV%.1f"/>`, x(o.TemperatureC), y(math.Min(most, 1/(o.Days-o.DoubtDays))), y(1/(o.Days+o.DoubtDays)))
		fmt.Fprintf(&b, `<circle class="seen" r="4" cx="%.1f" cy="%.1f"><title>%s: %.1f days at %.1f °C</title></circle>`,
			x(o.TemperatureC), y(1/o.Days), template.HTMLEscapeString(string(o.Cohort)), o.Days, o.TemperatureC)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // built from numbers and escaped names only
}
