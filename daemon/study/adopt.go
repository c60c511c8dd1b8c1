package study

import (
	"fmt"
	"math"

	"rearguard/daemon/development/fitting"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// Which fit is adopted.
const (
	// Corrected are the starting values drawn towards the observations.
	Corrected = "corrected"
	// OwnRegression and OwnIkemotoTakai are the facility's own lines.
	OwnRegression   = "regression"
	OwnIkemotoTakai = "ikemoto-takai"
)

// Choice returns the estimate of the fit with that name, and false where the
// observations give none.
func (f *Fit) Choice(which string) (fitting.Estimate, bool) {
	switch {
	case which == Corrected && f.Proposal != nil:
		return *f.Proposal, true
	case which == OwnRegression && f.Regression != nil:
		return f.Regression.Estimate, true
	case which == OwnIkemotoTakai && f.IkemotoTakai != nil:
		return f.IkemotoTakai.Estimate, true
	}
	return fitting.Estimate{}, false
}

// The bounds of what can be adopted: wider than any published threshold (131
// data sets span 3.9 to 16 °C, Miller 2011, J. Lepid. Soc. 65:4), so that only
// nonsense is kept out.
const (
	leastThresholdC = -5
	mostThresholdC  = 22
)

// Constants turns a fit into the constants of the stages it is about. What is
// known of several stages only together is shared out among them as the
// species entry shares it.
func (f *Fit) Constants(sp *species.Species, which string) ([]species.StageConstants, error) {
	e, ok := f.Choice(which)
	if !ok {
		return nil, fmt.Errorf("the observations of %s, %s give no fit %q", sp.CommonName, f.Name, which)
	}
	if !(e.ThresholdC >= leastThresholdC && e.ThresholdC <= mostThresholdC) || !(e.Requirement > 0) {
		return nil, fmt.Errorf("a threshold of %.1f °C with %.0f degree-days is no animal's: wait for cohorts at other temperatures", e.ThresholdC, e.Requirement)
	}
	stages, ok := between(sp, f.Key)
	if !ok {
		return nil, fmt.Errorf("%s has no stages from %s to %s", sp.CommonName, f.Stage, f.Until)
	}
	total := 0.0
	share := make([]float64, len(stages))
	for i := range stages {
		if stages[i].Rate == nil || stages[i].Requirement <= 0 {
			return nil, fmt.Errorf("stage %s of %s has no end", stages[i].ID, sp.CommonName)
		}
		// By the time the entry gives each at the temperature observed.
		perDay := stages[i].Rate.PerDay(f.meanC())
		if perDay > 0 {
			share[i] = stages[i].Requirement / perDay
		}
		total += share[i]
	}
	if !(total > 0) {
		return nil, fmt.Errorf("%s does not develop at %.1f °C by its entry", sp.CommonName, f.meanC())
	}
	var out []species.StageConstants
	for i := range stages {
		out = append(out, species.StageConstants{
			Stage: stages[i].ID, LowerC: round(e.ThresholdC, 2), Requirement: round(e.Requirement*share[i]/total, 2),
			Method: speciesMethod(e.Method), Source: f.source(which),
		})
	}
	return out, nil
}

func (f *Fit) meanC() float64 {
	sum := 0.0
	for _, o := range f.Observations {
		sum += o.TemperatureC
	}
	return sum / float64(len(f.Observations))
}

// source says where adopted constants come from.
func (f *Fit) source(which string) string {
	n := len(f.Observations)
	cohorts := fmt.Sprintf("%d own cohorts", n)
	if n == 1 {
		cohorts = "1 own cohort"
	}
	if which == Corrected {
		return "the facility's " + cohorts + " over " + f.StartSource
	}
	return "the facility's " + cohorts + " (" + which + ")"
}

// RateSpread is how much whole cohorts of a species differ, as a standard
// deviation of the logarithm of their rate: what the entry says, worth
// spreadWeight cohorts, together with what the observations say about the
// constants given.
func RateSpread(sp *species.Species, observations []Observation) float64 {
	byCohort := map[population.CohortID][]float64{}
	var order []population.CohortID
	doubt := map[population.CohortID]float64{}
	for _, o := range observations {
		stages, ok := between(sp, o.Key())
		if o.Species != sp.ID || !ok {
			continue
		}
		expected := 0.0
		for i := range stages {
			if stages[i].Rate == nil {
				expected = math.Inf(1)
				break
			}
			expected += stages[i].Requirement / stages[i].Rate.PerDay(o.TemperatureC)
		}
		if math.IsInf(expected, 0) || math.IsNaN(expected) || expected <= 0 {
			continue
		}
		if byCohort[o.Cohort] == nil {
			order = append(order, o.Cohort)
		}
		byCohort[o.Cohort] = append(byCohort[o.Cohort], math.Log(o.Days/expected))
		doubt[o.Cohort] += (o.DoubtDays / o.Days) * (o.DoubtDays / o.Days)
	}
	squares := spreadWeight * sp.RateSpread * sp.RateSpread
	for _, id := range order {
		mean, n := 0.0, float64(len(byCohort[id]))
		for _, r := range byCohort[id] {
			mean += r / n
		}
		// What the time between counts explains is no difference of cohorts.
		squares += math.Max(0, mean*mean-doubt[id]/(n*n))
	}
	return math.Max(leastSpread, round(math.Sqrt(squares/(spreadWeight+float64(len(order)))), 4))
}

const (
	// spreadWeight is how many cohorts the entry's spread is worth.
	spreadWeight = 4
	leastSpread  = 0.02
)

func round(v float64, digits int) float64 {
	p := math.Pow(10, float64(digits))
	return math.Round(v*p) / p
}
