package species

import (
	"fmt"
	"sort"
	"strings"
	"text/tabwriter"

	"rearguard/daemon/development"
)

// Explanation is a species entry in words and numbers, for the command line
// and pages.
type Explanation struct {
	ID             ID                 `json:"id"`
	CommonName     string             `json:"common_name"`
	ScientificName string             `json:"scientific_name"`
	RearedFor      string             `json:"reared_for,omitempty"`
	HostPlant      string             `json:"host_plant,omitempty"`
	Origin         Origin             `json:"origin"`
	Assumed        bool               `json:"assumed"`
	RateSpread     float64            `json:"rate_spread_ratio"`
	Note           string             `json:"note,omitempty"`
	Stages         []stageExplanation `json:"stages"`
}

// stageExplanation is one stage of an Explanation.
type stageExplanation struct {
	ID   StageID `json:"id"`
	Name string  `json:"name"`
	// Model is the rate model in words, for example "linear above 12 °C".
	Model       string  `json:"model,omitempty"`
	Requirement float64 `json:"requirement,omitempty"`
	Unit        string  `json:"requirement_unit,omitempty"`
	// DaysAt25 is how long the mean animal stays at a constant 25 °C; 0 when
	// it does not develop there or stays for good.
	DaysAt25 float64 `json:"days_at_25_celsius,omitempty"`
	Spread   float64 `json:"spread_ratio,omitempty"`
	Survival float64 `json:"survival_ratio,omitempty"`
	LengthMM float64 `json:"length_millimeters,omitempty"`
	// Computed says how the constants came from durations, where they did.
	Computed string   `json:"computed,omitempty"`
	Method   Method   `json:"method,omitempty"`
	Source   string   `json:"source,omitempty"`
	Assumed  bool     `json:"assumed"`
	Limits   []string `json:"limits,omitempty"`
	Delicate []string `json:"delicate,omitempty"`
	Note     string   `json:"note,omitempty"`
}

// Explain tells everything an entry says and where it comes from.
func Explain(sp *Species) Explanation {
	e := Explanation{ID: sp.ID, CommonName: sp.CommonName, ScientificName: sp.ScientificName, RearedFor: sp.RearedFor,
		HostPlant: sp.HostPlant, Origin: sp.Origin, Assumed: sp.Assumed(), RateSpread: sp.RateSpread, Note: sp.Note}
	for i := range sp.Stages {
		e.Stages = append(e.Stages, sp.Stages[i].explain())
	}
	return e
}

func (st *Stage) explain() stageExplanation {
	e := stageExplanation{ID: st.ID, Name: st.Name, Survival: st.Survival, LengthMM: st.LengthMM.TypicalMM, Note: st.Note}
	if st.Rate != nil {
		e.Model, e.Unit = st.Spec.String(), st.Rate.Unit()
		e.Requirement, e.Spread = st.Requirement, st.Spread
		e.Method, e.Source, e.Assumed = st.Method, st.Source, st.Assumed
		e.Computed = st.computed()
		if r := st.Rate.PerDay(25); r > 0 {
			e.DaysAt25 = st.Requirement / r
		}
	}
	for _, l := range st.AirLimits() {
		text := fmt.Sprintf("%s %v %s", l.Kind, l.Value, l.Unit)
		if l.After > 0 {
			text += fmt.Sprintf(" for %v", l.After)
		}
		e.Limits = append(e.Limits, text+" ("+l.Source+")")
	}
	if h := st.Limits.Injury; h != nil {
		e.Limits = append(e.Limits, fmt.Sprintf("heat injury above %v °C: one minute at %v °C, ten times longer per %v °C less (%s)",
			h.BoundaryC, h.CTmaxC, h.ZC, h.Source))
	}
	for _, w := range st.Delicate {
		e.Delicate = append(e.Delicate, fmt.Sprintf("%s: from %v before to %v after (%s)", w.Event, w.Before, w.After, w.Source))
	}
	return e
}

// computed says in words how the constants came from durations.
func (st *Stage) computed() string {
	switch len(st.durations) {
	case 0:
		return ""
	case 1:
		d := st.durations[0]
		return fmt.Sprintf("%v days at %v °C × (%v − assumed threshold %v) = %.1f degree-days",
			d.Days, d.TemperatureC, d.TemperatureC, *st.Spec.LowerC, st.Requirement)
	}
	var ds []string
	for _, d := range st.durations {
		ds = append(ds, fmt.Sprintf("%v days at %v °C", d.Days, d.TemperatureC))
	}
	return fmt.Sprintf("line through 1/days of %s: zero at %.2f °C, 1/slope %.1f degree-days",
		strings.Join(ds, ", "), *st.Spec.LowerC, st.Requirement)
}

// String tells the model in words.
func (r RateSpec) String() string {
	if r.Model != development.LinearModel {
		var ps []string
		for k, v := range r.Parameters {
			ps = append(ps, fmt.Sprintf("%s %v", k, v))
		}
		sort.Strings(ps)
		return r.Model + " (" + strings.Join(ps, ", ") + ")"
	}
	if r.UpperC == nil {
		return fmt.Sprintf("linear above %.4g °C", *r.LowerC)
	}
	return fmt.Sprintf("linear from %.4g to %.4g °C, %s cut-off", *r.LowerC, *r.UpperC, r.Cutoff)
}

// String is the explanation as a text for the terminal.
func (e Explanation) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (%s), %s\n", e.CommonName, e.ScientificName, e.ID)
	for _, line := range [][2]string{{"reared for", e.RearedFor}, {"host plant", e.HostPlant}, {"entry from", string(e.Origin)}, {"note", e.Note}} {
		if line[1] != "" {
			fmt.Fprintf(&b, "%s: %s\n", line[0], line[1])
		}
	}
	fmt.Fprintf(&b, "whole cohorts differ in rate by about %.0f %% (%s)\n", 100*e.RateSpread, CommonPractice)
	if e.Assumed {
		b.WriteString("ASSUMED: constants below are marked * where they are to be verified on site\n")
	}
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprint(w, "\nstage\tmodel\trequirement\tdays at 25 °C\tspread\n")
	for _, s := range e.Stages {
		if s.Model == "" {
			fmt.Fprintf(w, "%s\tno end\n", s.Name)
			continue
		}
		mark, days := "", "none"
		if s.Assumed {
			mark = " *"
		}
		if s.DaysAt25 > 0 {
			days = fmt.Sprintf("%.1f", s.DaysAt25)
		}
		fmt.Fprintf(w, "%s%s\t%s\t%.1f %s\t%s\t%.0f %%\n", s.Name, mark, s.Model, s.Requirement, s.Unit, days, 100*s.Spread)
	}
	_ = w.Flush() // a strings.Builder does not fail
	for _, s := range e.Stages {
		fmt.Fprintf(&b, "\n%s\n", s.Name)
		for _, line := range append([]string{s.Computed, s.Source, s.Note}, append(s.Limits, s.Delicate...)...) {
			if line != "" {
				fmt.Fprintf(&b, "  %s\n", line)
			}
		}
	}
	return b.String()
}

// HowToEnter says how a facility enters a species of its own.
const HowToEnter = `A species of your own needs, for each stage, how long the stage lasts at a
known constant temperature. Durations at two or more temperatures, at least
2 °C apart and below the optimum, give the lower threshold and the requirement:
1/days is a straight line over temperature, its zero is the threshold, one over
its slope is the requirement in degree-days. With one temperature state the
threshold you assume; the requirement is days × (temperature − threshold), and
the entry stays marked as assumed. Put it into facility.yaml under species:

` + exampleEntry + `
An entry of a species in the library changes only what it states.
`

// exampleEntry is the entry shown by HowToEnter.
const exampleEntry = `- id: graphium-agamemnon
  common_name: Tailed Jay
  scientific_name: Graphium agamemnon
  stages:
    - id: egg
      durations:
        - {temperature_celsius: 22, days: 5}
        - {temperature_celsius: 27, days: 3.3}
    - id: larva-1
      lower_celsius: 12
      durations:
        - {temperature_celsius: 26, days: 3}
    - id: pupa
      lower_celsius: 12
      requirement_degree_days: 150
      source: own cohorts of 2025
    - id: adult
`
