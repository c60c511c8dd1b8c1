package fold

import (
	"context"
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/study"
)

// fitFor finds the fit a person decides about.
func (cs *cohorts) fitFor(key study.Key, observations int, who string) (study.Fit, error) {
	fit, ok := study.FitOf(cs.starting, cs.learning.Observations, key)
	switch {
	case who == "":
		return fit, errors.New("a decision needs the name of who made it")
	case !ok:
		return fit, fmt.Errorf("no finished cohort says anything about %s of %s", key.Stage, key.Species)
	case len(fit.Observations) != observations:
		return fit, fmt.Errorf("there are %d observations now and were %d when you looked; look again", len(fit.Observations), observations)
	}
	return fit, nil
}

// decide returns how to put a decision into force: from then on cohorts of the
// species, also those being reared, go by the constants it leaves.
func (f *Fold) decide(ctx context.Context, l *study.Learning, id species.ID) (change, error) {
	catalog, err := l.Apply(f.cohorts.starting)
	if err != nil {
		return nil, err
	}
	sp, known := catalog.Species(id)
	if !known {
		return nil, fmt.Errorf("there is no species %q any more", id)
	}
	courses, err := f.cohorts.ofSpecies(ctx, sp)
	if err != nil {
		return nil, err
	}
	return func() error {
		if err := f.cohorts.keepLearning(l); err != nil {
			return err
		}
		f.cohorts.use(catalog)
		for c, next := range courses {
			c.follow(next)
		}
		return f.refreshLimits(f.clock)
	}, nil
}

// AdoptConstants puts what the facility's own cohorts say about a stage in the
// place of the species' starting values.
type AdoptConstants struct {
	study.Key
	// Fit is one of study.Corrected, study.OwnRegression and
	// study.OwnIkemotoTakai.
	Fit string `json:"fit"`
	// Observations is how many there were when the person decided.
	Observations int    `json:"observations"`
	Who          string `json:"who"`
}

// Kind names the command in the journal.
func (AdoptConstants) Kind() string { return "adopt-constants" }

func (a AdoptConstants) who() string { return a.Who }

func (a AdoptConstants) check(ctx context.Context, f *Fold, at time.Time) (change, error) {
	fit, err := f.cohorts.fitFor(a.Key, a.Observations, a.Who)
	if err != nil {
		return nil, err
	}
	starting := f.cohorts.starting
	species, _ := starting.Species(a.Species)
	stages, err := fit.Constants(species, a.Fit)
	if err != nil {
		return nil, err
	}
	for _, st := range stages {
		if starting.Stated(a.Species, st.Stage) {
			return nil, fmt.Errorf("facility.yaml states the constants of %s of %s; change them there", st.Stage, a.Species)
		}
	}
	next := f.cohorts.learning.Changed()
	next.Decisions = append(next.Decisions, study.Decision{
		Key: a.Key, Adopted: true, Fit: a.Fit, Stages: stages, Observations: a.Observations, Who: a.Who, At: at,
	})
	// The spread among cohorts is judged by the constants that will hold, and
	// by the spread that the starting entry states.
	catalog, err := next.Apply(starting)
	if err != nil {
		return nil, err
	}
	adopted, _ := catalog.Species(a.Species)
	judged := *adopted
	judged.RateSpread = species.RateSpread
	next.Decisions[len(next.Decisions)-1].RateSpread = study.RateSpread(&judged, f.cohorts.learning.Observations)
	return f.decide(ctx, next, a.Species)
}

// RefuseConstants keeps the starting values of a stage, also where others had
// been adopted before.
type RefuseConstants struct {
	study.Key
	Observations int    `json:"observations"`
	Who          string `json:"who"`
}

// Kind names the command in the journal.
func (RefuseConstants) Kind() string { return "refuse-constants" }

func (r RefuseConstants) who() string { return r.Who }

func (r RefuseConstants) check(ctx context.Context, f *Fold, at time.Time) (change, error) {
	if _, err := f.cohorts.fitFor(r.Key, r.Observations, r.Who); err != nil {
		return nil, err
	}
	next := f.cohorts.learning.Changed()
	next.Decisions = append(next.Decisions, study.Decision{Key: r.Key, Observations: r.Observations, Who: r.Who, At: at})
	return f.decide(ctx, next, r.Species)
}
