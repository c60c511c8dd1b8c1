package fold

import (
	"context"
	"fmt"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/study"
)

// decide returns how to put a decision into force: from then on cohorts of the
// species, also those being reared, go by the constants it leaves.
func (f *Fold) decide(ctx context.Context, l *study.Learning, id species.ID) (change, error) {
	catalog, err := l.Apply(f.cohorts.Starting)
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
		f.cohorts.Use(catalog)
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
	next, err := f.cohorts.Learning.Adopt(f.cohorts.Starting, study.Choice{Key: a.Key, Fit: a.Fit, Observations: a.Observations, Who: a.Who, At: at})
	if err != nil {
		return nil, err
	}
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
	next, err := f.cohorts.Learning.Refuse(f.cohorts.Starting, study.Choice{Key: r.Key, Observations: r.Observations, Who: r.Who, At: at})
	if err != nil {
		return nil, err
	}
	return f.decide(ctx, next, r.Species)
}
