package rearing

import (
	"fmt"
	"strings"
	"time"

	"rearguard/daemon/development"
)

// Method says how the thermal constants of a stage were found. Constants of
// different methods are never mixed within one stage: a threshold of one and
// a requirement of the other describe no animal.
type Method string

// The methods.
const (
	// Regression is the linear regression of rate on temperature (Campbell
	// et al. 1974, J. Appl. Ecol. 11:431).
	Regression Method = "regression"
	// IkemotoTakai is the reduced major axis line of Ikemoto and Takai 2000
	// (Environ. Entomol. 29:671).
	IkemotoTakai Method = "ikemoto-takai"
	// FromDurations is a requirement computed from stage durations at stated
	// temperatures, with an assumed threshold when there is only one.
	FromDurations Method = "durations"
)

// CommonPractice is the source given to numbers that keepers agree on and
// nobody has published.
const CommonPractice = "common practice, no published source; verify on site"

// Distribution is the shape of the spread of a stage's requirement among the
// animals of a cohort.
type Distribution string

// The distributions.
const (
	// Weibull is a three-parameter Weibull of shape 2.5.
	Weibull Distribution = "weibull"
	// LogNormal is a two-parameter log-normal.
	LogNormal Distribution = "lognormal"
)

// Species is one entry of the species library or of a facility. It comes from
// a Catalog, is not changed after it is built and may be shared between goroutines.
type Species struct {
	ID             SpeciesID
	CommonName     string
	ScientificName string
	// RearedFor says why people rear it: exhibition, education, silk, research.
	RearedFor string
	HostPlant string
	// RateSpread is the standard deviation of the natural logarithm of the
	// rate of a whole cohort against the species' constants: strain, food and
	// crowding make one cohort faster than the next.
	RateSpread float64
	// Stages are in order of development; the last is the adult.
	Stages []Stage
	Note   string
	// Origin is "library", "facility" or "library, changed by facility".
	Origin string

	shapes *shapes
}

// Stage is one stage of development of a species.
type Stage struct {
	ID   StageID
	Name string
	// Spec is the rate model as configured; Rate is the model itself. Rate is
	// nil only for an adult stage without an end.
	Spec RateSpec
	Rate development.Rate
	// DegreeDays counts the stage's thermal time: the same model as Rate when
	// that counts degree-days, the linear model above the stage's lower
	// threshold beside a nonlinear Rate, nil when there is neither.
	DegreeDays development.Rate
	// Requirement is the physiological time the mean animal needs to pass the
	// stage, in the unit of Rate. 0 for an adult stage without an end.
	Requirement float64
	// Spread is the coefficient of variation of Requirement in one cohort.
	Spread       float64
	Distribution Distribution
	// Survival is the share of animals that pass the stage alive; 1 where the
	// entry states none. Booked losses come on top of it.
	Survival float64
	// Durations are the observations the constants were computed from.
	Durations []StageDuration
	Limits    StageLimits
	// Delicate are the hours around the entry into this stage, and the stage
	// as a whole where it says so, in which animals are easily lost.
	Delicate []Window
	// LengthMM is the body length late in the stage; zero when not known.
	LengthMM BodyLength
	Source   string
	Method   Method
	// Assumed is set when the constants are to be verified on site.
	Assumed bool
	Note    string

	// rateKey is equal for stages whose rate models are equal.
	rateKey string
}

// StageDuration is how long the mean animal stays in a stage at a constant
// temperature.
type StageDuration struct {
	TemperatureC float64
	Days         float64
}

// BodyLength is the typical length of the body in millimetres and its
// standard deviation among animals; zero when not known.
type BodyLength struct {
	TypicalMM, SDMM float64
}

// StageLimits are the air limits of a stage. A nil pointer is no limit.
type StageLimits struct {
	// Heat and Chill bound the temperature in °C.
	Heat, Chill *Bound
	// Drying is the vapour pressure deficit in kPa that does harm when it
	// lasts.
	Drying *Bound
	// Damp is the relative humidity in percent that favours mould and
	// disease when it lasts.
	Damp *Bound
	// Injury is the thermal-death-time line, where one is known.
	Injury *HeatInjury
}

// Bound is one limit with its source.
type Bound struct {
	Value float64
	// After is how long the air may be beyond Value before it does harm; 0
	// for heat and chill.
	After   time.Duration
	Source  string
	Assumed bool
}

// HeatInjury is a thermal-death-time line: log10 of the minutes to failure is
// (CTmaxC - T)/ZC, for temperatures above BoundaryC (Rezende et al. 2014,
// Funct. Ecol. 28:799; Jørgensen et al. 2021, Sci. Rep. 11:12840).
type HeatInjury struct {
	CTmaxC, ZC, BoundaryC float64
	Source                string
	Assumed               bool
}

// Window is a delicate span of hours around an event.
type Window struct {
	// Event is "hatching", "moult", "prepupa", "pupation", "eclosion" or
	// "wing hardening".
	Event string
	// Before and After bound the window around the entry into the stage.
	Before, After time.Duration
	// DryingFactor multiplies the drying limit and its duration in the
	// window; HeatMarginC lowers the heat limit by that many degrees.
	DryingFactor, HeatMarginC float64
	Source                    string
	Assumed                   bool
}

// StageIndex returns the place of a stage in sp.Stages, and false when the
// species has no such stage.
func (sp *Species) StageIndex(id StageID) (int, bool) {
	for i := range sp.Stages {
		if sp.Stages[i].ID == id {
			return i, true
		}
	}
	return 0, false
}

// StageName returns the name people read, or the id when it is unknown.
func (sp *Species) StageName(id StageID) string {
	if i, ok := sp.StageIndex(id); ok {
		return sp.Stages[i].Name
	}
	return string(id)
}

// Assumed reports whether any constant that moves a forecast is assumed.
func (sp *Species) Assumed() bool {
	for i := range sp.Stages {
		if sp.Stages[i].Assumed {
			return true
		}
	}
	return false
}

// Source says in one line where the constants come from.
func (sp *Species) Source() string {
	var all []string
	for i := range sp.Stages {
		s := sp.Stages[i].Source
		if s == "" {
			continue
		}
		if sp.Stages[i].Requirement == 0 {
			continue
		}
		known := false
		for _, a := range all {
			known = known || a == s
		}
		if !known {
			all = append(all, s)
		}
	}
	return strings.Join(all, "; ")
}

// Survival is the share of animals that pass all stages alive, and whether the
// entry states any.
func (sp *Species) Survival() (share float64, stated bool) {
	share = 1
	for i := range sp.Stages {
		share *= sp.Stages[i].Survival
		stated = stated || sp.Stages[i].Survival < 1
	}
	return share, stated
}

// survivalTo is the share of animals now in stage from that reach stage to.
func (sp *Species) survivalTo(from, to int) float64 {
	share := 1.0
	for s := from; s < to; s++ {
		share *= sp.Stages[s].Survival
	}
	return share
}

// EventName names the event with which animals enter a stage: "hatching" for
// the first instar, "moult" for later ones, "prepupa", "pupation", "eclosion".
func EventName(stage StageID) string {
	switch {
	case stage == "egg":
		return "laying"
	case stage == "larva-1":
		return "hatching"
	case strings.HasPrefix(string(stage), "larva-"):
		return "moult"
	case stage == "prepupa":
		return "prepupa"
	case stage == "pupa":
		return "pupation"
	case stage == "adult":
		return "eclosion"
	}
	return "entry into " + string(stage)
}

// stageRank orders stage ids as animals pass through them; 0 is no stage id.
func stageRank(id StageID) int {
	switch id {
	case "egg":
		return 1
	case "prepupa":
		return 1000
	case "pupa":
		return 1001
	case "adult":
		return 1002
	}
	var n int
	if _, err := fmt.Sscanf(string(id), "larva-%d", &n); err != nil || n < 1 || n > 15 || fmt.Sprintf("larva-%d", n) != string(id) {
		return 0
	}
	return 1 + n
}
