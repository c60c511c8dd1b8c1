package study

import (
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/rearing/species"
)

// Choice is what a person decides about a stretch of stages, and what they
// looked at.
type Choice struct {
	Key
	// Fit is one of Corrected, OwnRegression and OwnIkemotoTakai; empty to keep
	// the starting values.
	Fit string
	// Observations is how many there were when the person decided.
	Observations int
	Who          string
	At           time.Time
}

// fitFor finds the fit that is decided about.
func (l *Learning) fitFor(starting *species.Catalog, c *Choice) (Fit, error) {
	fit, ok := FitOf(starting, l.Observations, c.Key)
	switch {
	case c.Who == "":
		return fit, errors.New("a decision needs the name of who made it")
	case !ok:
		return fit, fmt.Errorf("no finished cohort says anything about %s of %s", c.Stage, c.Species)
	case len(fit.Observations) != c.Observations:
		return fit, fmt.Errorf("there are %d observations now and were %d when you looked; look again", len(fit.Observations), c.Observations)
	}
	return fit, nil
}

// Adopt is what was learned with a fit adopted, or says why that cannot be.
func (l *Learning) Adopt(starting *species.Catalog, c Choice) (*Learning, error) {
	fit, err := l.fitFor(starting, &c)
	if err != nil {
		return nil, err
	}
	entry, _ := starting.Species(c.Species)
	stages, err := fit.Constants(entry, c.Fit)
	if err != nil {
		return nil, err
	}
	for _, st := range stages {
		if starting.Stated(c.Species, st.Stage) {
			return nil, fmt.Errorf("facility.yaml states the constants of %s of %s; change them there", st.Stage, c.Species)
		}
	}
	next := l.Changed()
	next.Decisions = append(next.Decisions, Decision{
		Key: c.Key, Adopted: true, Fit: c.Fit, Stages: stages, Observations: c.Observations, Who: c.Who, At: c.At,
	})
	// The spread among cohorts is judged by the constants that will hold, and
	// by the spread that the starting entry states.
	catalog, err := next.Apply(starting)
	if err != nil {
		return nil, err
	}
	adopted, _ := catalog.Species(c.Species)
	judged := *adopted
	judged.RateSpread = entry.RateSpread
	next.Decisions[len(next.Decisions)-1].RateSpread = RateSpread(&judged, l.Observations)
	return next, nil
}

// Refuse is what was learned with the starting values of a stretch kept, also
// where others had been adopted before, or says why that cannot be.
func (l *Learning) Refuse(starting *species.Catalog, c Choice) (*Learning, error) {
	if _, err := l.fitFor(starting, &c); err != nil {
		return nil, err
	}
	next := l.Changed()
	next.Decisions = append(next.Decisions, Decision{Key: c.Key, Observations: c.Observations, Who: c.Who, At: c.At})
	return next, nil
}
