package species

import (
	"cmp"
	"fmt"

	"rearguard/daemon/development"
)

// StageID names a stage of development: "egg", "larva-1" .. "larva-n",
// "prepupa", "pupa", "adult".
type StageID string

// The stages that every species names alike; more instars are "larva-2" and on.
const (
	Egg         StageID = "egg"
	FirstInstar StageID = "larva-1"
	Prepupa     StageID = "prepupa"
	Pupa        StageID = "pupa"
	Adult       StageID = "adult"
)

// mostInstars is the highest number of an instar.
const mostInstars = 15

// Ranks leave room for the instars after the egg.
const (
	rankEgg     = 1
	rankPrepupa = 1000
	rankPupa    = 1001
	rankAdult   = 1002
)

// rank orders stage ids as animals pass through them; 0 is no stage id.
func (id StageID) rank() int {
	switch id {
	case Egg:
		return rankEgg
	case Prepupa:
		return rankPrepupa
	case Pupa:
		return rankPupa
	case Adult:
		return rankAdult
	}
	var n int
	if _, err := fmt.Sscanf(string(id), "larva-%d", &n); err != nil || n < 1 || n > mostInstars || fmt.Sprintf("larva-%d", n) != string(id) {
		return 0
	}
	return rankEgg + n
}

// CompareStages orders stages as animals pass through them.
func CompareStages(a, b StageID) int { return cmp.Compare(a.rank(), b.rank()) }

// IsLarva reports whether the stage is an instar.
func (id StageID) IsLarva() bool {
	r := id.rank()
	return r > rankEgg && r < rankPrepupa
}

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
	Limits   StageLimits
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

	// durations are the observations the constants were computed from.
	durations []stageDuration
	// rateKey is equal for stages whose rate models are equal.
	rateKey string
}

// stageDuration is how long the mean animal stays in a stage at a constant
// temperature.
type stageDuration struct {
	TemperatureC float64
	Days         float64
}

// BodyLength is the typical length of the body in millimetres and its
// standard deviation among animals; zero when not known.
type BodyLength struct {
	TypicalMM, SDMM float64
}

// RateKey is equal for stages whose rate models are equal.
func (st *Stage) RateKey() string { return st.rateKey }
