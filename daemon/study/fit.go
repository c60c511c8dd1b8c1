package study

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rearguard/daemon/development"
	"rearguard/daemon/development/fitting"
	"rearguard/daemon/rearing/species"
)

// Key names what is learned about: the time from the entry into one stage to
// the entry into another.
type Key struct {
	Species species.ID      `json:"species"`
	Stage   species.StageID `json:"stage"`
	Until   species.StageID `json:"until"`
}

// Key is what the observation is about.
func (o Observation) Key() Key { return Key{o.Species, o.Stage, o.Until} }

// Fit is what a facility's observations say about one stage, or about several
// between which nobody counted.
type Fit struct {
	Key
	Name         string        `json:"name"`
	Observations []Observation `json:"observations"`
	// Start is what the species entry says, and how certain it is taken to be.
	Start fitting.Estimate `json:"start"`
	// StartSource tells where Start comes from.
	StartSource string `json:"start_source"`
	// Proposal is Start drawn towards the observations as far as these weigh;
	// nil where the stage has no threshold and requirement to correct.
	Proposal *fitting.Estimate `json:"proposal,omitempty"`
	// Regression and IkemotoTakai are the facility's own lines; nil where the
	// observations give none.
	Regression   *fitting.Line `json:"regression,omitempty"`
	IkemotoTakai *fitting.Line `json:"ikemoto_takai,omitempty"`
	// Curves are nonlinear fits, best first, where WithCurves was asked.
	Curves []Curve `json:"curves,omitempty"`
	// Remarks say why something above is missing.
	Remarks []string `json:"remarks,omitempty"`
	// Variation is the coefficient of variation of a duration among cohorts
	// that the proposal reckons with.
	Variation float64 `json:"variation_ratio"`
}

// Curve is a nonlinear rate model fitted to the observations.
type Curve struct {
	Model      string             `json:"model"`
	Parameters map[string]float64 `json:"parameters"`
	// SE are standard errors; a parameter that the data do not determine has
	// none.
	SE map[string]float64 `json:"standard_errors"`
	// AICc compares models on the same durations, lower is better; nil where
	// there are too few durations.
	AICc *float64 `json:"aicc,omitempty"`
	// Determined is set when the observations determine every parameter.
	Determined bool `json:"determined"`

	rate *development.Nonlinear
}

// PerDay is the fitted rate of the stage at a temperature in °C.
func (c Curve) PerDay(temperatureC float64) float64 { return c.rate.PerDay(temperatureC) }

// How certain starting values are taken to be: common practice, no published
// source. The threshold has a standard error, and the duration at referenceC a
// coefficient of variation; the requirement follows from both.
const (
	referenceC          = 25.0
	assumedThresholdSE  = 2.5
	assumedDurationCV   = 0.15
	publishedThreshold  = 1.0
	publishedDurationCV = 0.08
)

// Start returns the starting values of a key's stages as one estimate, and
// false where a stage has no threshold and requirement.
func Start(sp *species.Species, key Key) (fitting.Estimate, bool) {
	stages, ok := between(sp, key)
	if !ok {
		return fitting.Estimate{}, false
	}
	threshold, requirement := 0.0, 0.0
	assumed, method := false, stages[0].Method
	for i := range stages {
		st := &stages[i]
		if st.Spec.Model != development.LinearModel || st.Spec.LowerC == nil || st.Requirement <= 0 {
			return fitting.Estimate{}, false
		}
		// Degree-days add up exactly where thresholds are equal; otherwise
		// their mean, weighed by the time spent, is close.
		threshold += *st.Spec.LowerC * st.Requirement
		requirement += st.Requirement
		assumed = assumed || st.Assumed
		if st.Method != method {
			method = species.FromDurations
		}
	}
	threshold /= requirement
	thresholdSE, cv := publishedThreshold, publishedDurationCV
	if assumed {
		thresholdSE, cv = assumedThresholdSE, assumedDurationCV
	}
	excess := math.Max(2, referenceC-threshold)
	days := requirement / excess
	// K = D (T - t) with D known at T: an error of t moves K the other way.
	byThreshold, byDays := days*thresholdSE, excess*days*cv
	requirementSE := math.Hypot(byThreshold, byDays)
	e, err := fitting.NewEstimate(fittingMethod(method), threshold, thresholdSE, requirement, requirementSE, -byThreshold/requirementSE)
	return e, err == nil
}

func fittingMethod(m species.Method) fitting.Method {
	switch m {
	case species.Regression:
		return fitting.Regression
	case species.IkemotoTakai:
		return fitting.ReducedMajorAxis
	}
	return fitting.Assumed
}

func speciesMethod(m fitting.Method) species.Method {
	switch m {
	case fitting.Regression:
		return species.Regression
	case fitting.ReducedMajorAxis:
		return species.IkemotoTakai
	}
	return species.FromDurations
}

// between are the stages a key is about.
func between(sp *species.Species, key Key) ([]species.Stage, bool) {
	from, ok := sp.StageIndex(key.Stage)
	to, okTo := sp.StageIndex(key.Until)
	if !ok || !okTo || to <= from {
		return nil, false
	}
	return sp.Stages[from:to], true
}

// name is what people call a key.
func name(sp *species.Species, key Key) string {
	stages, ok := between(sp, key)
	if !ok || len(stages) == 1 {
		return sp.StageName(key.Stage)
	}
	return fmt.Sprintf("%s to %s", stages[0].Name, stages[len(stages)-1].Name)
}

// Fits returns what observations say, by species and stage. Starting are the
// species as they were before anything was adopted, since what was learned
// must not be counted twice. Curves are left to WithCurves.
func Fits(starting *species.Catalog, observations []Observation) []Fit {
	groups := map[Key][]Observation{}
	for _, o := range observations {
		groups[o.Key()] = append(groups[o.Key()], o)
	}
	var fits []Fit
	for key, group := range groups {
		if sp, ok := starting.Species(key.Species); ok {
			fits = append(fits, fitOf(sp, key, group))
		}
	}
	slices.SortFunc(fits, func(a, b Fit) int {
		if a.Species != b.Species {
			return cmp.Compare(a.Species, b.Species)
		}
		sp, _ := starting.Species(a.Species)
		i, _ := sp.StageIndex(a.Stage)
		j, _ := sp.StageIndex(b.Stage)
		m, _ := sp.StageIndex(a.Until)
		n, _ := sp.StageIndex(b.Until)
		return cmp.Or(cmp.Compare(i, j), cmp.Compare(m, n))
	})
	return fits
}

// FitOf is Fits for one key.
func FitOf(starting *species.Catalog, observations []Observation, key Key) (Fit, bool) {
	group := slices.DeleteFunc(slices.Clone(observations), func(o Observation) bool { return o.Key() != key })
	sp, ok := starting.Species(key.Species)
	if !ok || len(group) == 0 {
		return Fit{}, false
	}
	return fitOf(sp, key, group), true
}

func fitOf(sp *species.Species, key Key, group []Observation) Fit {
	f := Fit{Key: key, Name: name(sp, key), Observations: group}
	points, doubt := pointsOf(group), 0.0
	for _, o := range group {
		doubt += (o.DoubtDays / o.Days) * (o.DoubtDays / o.Days)
	}
	f.Variation = math.Sqrt(sp.RateSpread*sp.RateSpread + doubt/float64(len(group)))
	start, ok := Start(sp, key)
	if ok {
		f.Start = start
		stages, _ := between(sp, key)
		f.StartSource = stages[0].Source
		if p, err := fitting.Update(start, points, f.Variation); err == nil {
			f.Proposal = &p
		} else {
			f.Remarks = append(f.Remarks, "no proposal: "+err.Error())
		}
	} else {
		f.Remarks = append(f.Remarks, "the entry follows no straight line above a threshold here, so there are no constants to correct")
	}
	if l, err := fitting.Campbell(points); err == nil {
		f.Regression = &l
	} else {
		f.Remarks = append(f.Remarks, err.Error())
	}
	if l, err := fitting.IkemotoTakai(points); err == nil {
		f.IkemotoTakai = &l
	} else {
		f.Remarks = append(f.Remarks, err.Error())
	}
	return f
}

// pointsOf are the durations that lines and curves are fitted to.
func pointsOf(group []Observation) []fitting.Observation {
	var points []fitting.Observation
	for _, o := range group {
		points = append(points, fitting.Observation{TemperatureC: o.TemperatureC, Days: o.Days})
	}
	return points
}

// WithCurves adds the nonlinear curves to fits; it takes long, so only pages
// and reports that show them ask for it.
func WithCurves(fits []Fit) []Fit {
	for i := range fits {
		fits[i].Curves = curvesOf(pointsOf(fits[i].Observations))
	}
	return fits
}

// curvesOf fits every nonlinear model that has fewer parameters than there are
// durations.
func curvesOf(points []fitting.Observation) []Curve {
	var all []Curve
	for _, modelName := range development.ModelNames() {
		model, err := development.ModelNamed(modelName)
		if err != nil {
			continue
		}
		fitted, err := fitting.Fit(model, points, nil)
		if err != nil {
			continue
		}
		c := Curve{Model: modelName, Parameters: map[string]float64{}, SE: map[string]float64{}, Determined: fitted.Determined(), rate: fitted.Rate}
		for i, p := range model.Parameters {
			c.Parameters[p.Name] = fitted.Parameters[i]
			if se := fitted.SE[i]; !math.IsNaN(se) && !math.IsInf(se, 0) && !p.Optional {
				c.SE[p.Name] = se
			}
		}
		if !math.IsInf(fitted.AICc, 0) && !math.IsNaN(fitted.AICc) {
			c.AICc = &fitted.AICc
		}
		all = append(all, c)
	}
	slices.SortStableFunc(all, func(a, b Curve) int {
		value := func(c Curve) float64 {
			if c.AICc == nil {
				return math.Inf(1)
			}
			return *c.AICc
		}
		return cmp.Compare(value(a), value(b))
	})
	return all
}
