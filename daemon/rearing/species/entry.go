package species

import (
	"slices"
	"time"

	"rearguard/daemon/strict"
)

// speciesDoc is a species entry as written: only what is stated is set, so
// that an entry of the facility can be laid over one of the library.
type speciesDoc struct {
	At             strict.Place
	ID             ID         `yaml:"id" rule:"need"`
	CommonName     string     `yaml:"common_name"`
	ScientificName string     `yaml:"scientific_name"`
	RearedFor      string     `yaml:"reared_for"`
	HostPlant      string     `yaml:"host_plant"`
	Note           string     `yaml:"note"`
	RateSpread     *float64   `yaml:"rate_spread" rule:"range=0.005..0.5"`
	Totals         []totalDoc `yaml:"totals"`
	Limits         *limitsDoc `yaml:"limits"`
	Stages         []stageDoc `yaml:"stages"`

	// under are the limits that Limits are laid over, the lowest first.
	under                     []*limitsDoc
	fromLibrary, fromFacility bool
	// adopted is set for constants that the facility's own cohorts gave.
	adopted bool
}

// totalDoc is a published constant that covers several stages; stages take
// shares of it.
type totalDoc struct {
	At          strict.Place
	ID          string        `yaml:"id" rule:"need"`
	Durations   []durationDoc `yaml:"durations"`
	LowerC      *float64      `yaml:"lower_celsius" rule:"range=-10..30"`
	UpperC      *float64      `yaml:"upper_celsius" rule:"range=10..60"`
	Requirement *float64      `yaml:"requirement_degree_days" rule:"range=1..20000"`
	Source      string        `yaml:"source" rule:"need"`
	Method      Method        `yaml:"method" rule:"one=regression|ikemoto-takai|durations"`
	Assumed     *bool         `yaml:"assumed"`
	Note        string        `yaml:"note"`
}

// stageDoc is a stage of a species as written.
type stageDoc struct {
	At   strict.Place
	ID   StageID `yaml:"id" rule:"need"`
	Name string  `yaml:"name"`
	thermalDoc
	Spread       *float64     `yaml:"spread" rule:"range=0..0.4"`
	Survival     *float64     `yaml:"survival" rule:"range=0.001..1"`
	Distribution Distribution `yaml:"distribution" rule:"one=weibull|lognormal"`
	Limits       *limitsDoc   `yaml:"limits"`
	Delicate     []windowDoc  `yaml:"delicate"`
	LengthMM     *float64     `yaml:"length_millimeters" rule:"range=0.1..300"`
	LengthSDMM   *float64     `yaml:"length_sd_millimeters" rule:"range=0.01..100"`
	Source       string       `yaml:"source"`
	Method       Method       `yaml:"method" rule:"one=regression|ikemoto-takai|durations"`
	Assumed      *bool        `yaml:"assumed"`
	Note         string       `yaml:"note"`

	under []*limitsDoc
}

// thermalDoc are the thermal constants of a stage as written. They stand or
// fall together: a requirement belongs to the threshold and the method it was
// found with.
type thermalDoc struct {
	Model       string             `yaml:"model"`
	Parameters  map[string]float64 `yaml:"parameters"`
	LowerC      *float64           `yaml:"lower_celsius" rule:"range=-10..30"`
	UpperC      *float64           `yaml:"upper_celsius" rule:"range=10..60"`
	Cutoff      string             `yaml:"cutoff" rule:"one=horizontal|vertical|intermediate"`
	Requirement *float64           `yaml:"requirement_degree_days" rule:"range=0.1..20000"`
	Share       *float64           `yaml:"share" rule:"range=0.001..1"`
	ShareOf     string             `yaml:"share_of"`
	Durations   []durationDoc      `yaml:"durations"`
}

// durationDoc is a stageDuration as written.
type durationDoc struct {
	TemperatureC float64 `yaml:"temperature_celsius" rule:"need;range=0..45"`
	Days         float64 `yaml:"days" rule:"need;range=0.01..1000"`
}

// limitsDoc are limits as written; source and assumed stand for its own
// values only.
type limitsDoc struct {
	HeatC       *float64       `yaml:"heat_celsius" rule:"range=0..60"`
	ChillC      *float64       `yaml:"chill_celsius" rule:"range=-20..40"`
	DryingKPa   *float64       `yaml:"drying_kilopascals" rule:"range=0.05..10"`
	DryingAfter *time.Duration `yaml:"drying_after" rule:"range=0s..720h"`
	DampPercent *float64       `yaml:"damp_percent" rule:"range=10..100"`
	DampAfter   *time.Duration `yaml:"damp_after" rule:"range=0s..720h"`
	Injury      *injuryDoc     `yaml:"heat_injury"`
	Source      string         `yaml:"source"`
	Assumed     bool           `yaml:"assumed"`
}

// injuryDoc is a HeatInjury as written.
type injuryDoc struct {
	CTmaxC    float64 `yaml:"ctmax_one_minute_celsius" rule:"need;range=20..70"`
	ZC        float64 `yaml:"z_celsius" rule:"need;range=0.5..20"`
	BoundaryC float64 `yaml:"boundary_celsius" rule:"need;range=15..60"`
	Source    string  `yaml:"source"`
	Assumed   bool    `yaml:"assumed"`
}

// windowDoc is a Window as written.
type windowDoc struct {
	Event        EventName     `yaml:"event" rule:"need;one=hatching|moult|prepupa|pupation|eclosion|wing hardening"`
	Before       time.Duration `yaml:"before" rule:"need;range=0s..720h"`
	After        time.Duration `yaml:"after" rule:"need;range=0s..720h"`
	DryingFactor float64       `yaml:"drying_factor" rule:"range=0.1..1"`
	HeatMarginC  float64       `yaml:"heat_margin_celsius" rule:"range=0..10"`
	Source       string        `yaml:"source"`
	Assumed      bool          `yaml:"assumed"`
}

// over lays an entry of the facility over one of the library.
func (d speciesDoc) over(b speciesDoc) speciesDoc {
	out := strict.Overlay(d, b)
	out.At, out.fromFacility = b.At, true
	out.under, out.Limits = append(slices.Clip(d.under), d.Limits), b.Limits
	out.Stages = slices.Clone(d.Stages)
	for _, s := range b.Stages {
		if i := slices.IndexFunc(out.Stages, func(o stageDoc) bool { return o.ID == s.ID }); i >= 0 {
			out.Stages[i] = out.Stages[i].over(s)
		} else {
			out.Stages = append(out.Stages, s)
		}
	}
	// A stage the facility adds (an extra instar, a prepupa) goes to its
	// place in the order of development.
	slices.SortStableFunc(out.Stages, func(a, b stageDoc) int { return a.ID.rank() - b.ID.rank() })
	return out
}

func (d stageDoc) over(b stageDoc) stageDoc {
	if b.restates() {
		d.Requirement, d.Share, d.ShareOf, d.Durations = nil, nil, "", nil
		if b.Durations != nil || b.Model != "" {
			d.thermalDoc = thermalDoc{}
		}
		d.Source, d.Method, d.Assumed, d.Note = "the facility's own entry", "", nil, ""
	}
	out := strict.Overlay(d, b)
	out.At = b.At
	out.under, out.Limits = append(slices.Clip(d.under), d.Limits), b.Limits
	return out
}

// restates reports whether the entry gives thermal constants of its own.
func (d thermalDoc) restates() bool {
	return d.Model != "" || d.LowerC != nil || d.Requirement != nil || d.Share != nil || d.Durations != nil
}
