package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/daemon/study"
)

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

// RefuseConstants keeps the starting values of a stage, also where others had
// been adopted before.
type RefuseConstants struct {
	study.Key
	Observations int    `json:"observations"`
	Who          string `json:"who"`
}

// Kind implements Command.
func (AdoptConstants) Kind() string { return "adopt-constants" }

// Kind implements Command.
func (RefuseConstants) Kind() string { return "refuse-constants" }

// Learning is what finished cohorts have taught and what people made of it.
type Learning struct {
	Observations []study.Observation `json:"observations"`
	// Decisions are in the order in which they were made; the newest about a
	// key is in force.
	Decisions []Decision `json:"decisions"`
}

// Decision is what a person made of the observations of one key.
type Decision struct {
	study.Key
	Adopted bool `json:"adopted"`
	// Fit, Stages and RateSpread are what was adopted.
	Fit        string                   `json:"fit,omitempty"`
	Stages     []rearing.StageConstants `json:"stages,omitempty"`
	RateSpread float64                  `json:"rate_spread_ratio,omitempty"`
	// Observations is how many there were.
	Observations int       `json:"observations"`
	Who          string    `json:"who"`
	At           time.Time `json:"at"`
}

// Decided returns the newest decision about a key, nil if there is none.
func (l *Learning) Decided(key study.Key) *Decision {
	for i := range slices.Backward(l.Decisions) {
		if l.Decisions[i].Key == key {
			return &l.Decisions[i]
		}
	}
	return nil
}

// learningName is the blob that holds what was learned, for the command line.
const learningName = "learning"

// LoadLearning reads what was learned from the records.
func LoadLearning(ctx context.Context, reader *records.Reader) (*Learning, error) {
	l := &Learning{}
	body, err := reader.LoadState(ctx, learningName)
	if errors.Is(err, records.ErrNotFound) {
		return l, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(body, l); err != nil {
		return nil, fmt.Errorf("what was learned: %w", err)
	}
	return l, nil
}

// Apply lays the adopted constants over the starting species. Constants that
// the facility's own entries state stay, and so does a species whose adopted
// constants no longer fit its entry; why is said.
func (l *Learning) Apply(starting *rearing.Catalog) (*rearing.Catalog, error) {
	catalog := starting
	var problems error
	for i := range l.Decisions {
		d := &l.Decisions[i]
		if !d.Adopted || l.Decided(d.Key) != d {
			continue
		}
		stages := slices.DeleteFunc(slices.Clone(d.Stages), func(c rearing.StageConstants) bool {
			return starting.Stated(d.Species, c.Stage)
		})
		if _, known := starting.Species(d.Species); !known || len(stages) == 0 {
			continue
		}
		next, err := catalog.With([]rearing.Entry{rearing.Adopted(d.Species, stages, d.RateSpread)})
		if err != nil {
			problems = errors.Join(problems, fmt.Errorf("adopted constants of %s: %w", d.Species, err))
			continue
		}
		catalog = next
	}
	return catalog, problems
}

// changed returns a copy to change: snapshots share what there is.
func (l *Learning) changed() *Learning {
	return &Learning{Observations: slices.Clip(l.Observations), Decisions: slices.Clip(l.Decisions)}
}

// keepLearning puts what was learned into the next commit.
func (c *core) keepLearning(l *Learning) error {
	c.learning = l
	body, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("what was learned: %w", err)
	}
	c.keepState(learningName, body)
	return nil
}

// learnFrom takes what the counts of a finished cohort say about its stages.
// A cohort whose air was mostly bridged teaches nothing.
func (c *core) learnFrom(s *cohortState) error {
	typical := s.live.Typical()
	if typical.DegreeDays > 0 && typical.Estimated > mostEstimated*typical.DegreeDays {
		c.logger.Info("a finished cohort teaches nothing: its air was not measured", slog.String("cohort", string(s.cohort.ID)))
		return nil
	}
	found := study.Observe(s.species, &s.cohort, s.counts, s.liveAir.mean)
	if len(found) == 0 {
		return nil
	}
	next := c.learning.changed()
	next.Observations = append(next.Observations, found...)
	return c.keepLearning(next)
}

// mostEstimated is the share of thermal time over bridged gaps from which on a
// cohort teaches nothing.
const mostEstimated = 0.2

// decide finds the fit a person decided about.
func (c *core) decide(key study.Key, observations int, who string) (study.Fit, error) {
	f, ok := study.FitOf(c.starting, c.learning.Observations, key)
	switch {
	case who == "":
		return f, refuse("a decision needs the name of who made it")
	case !ok:
		return f, refuse("no finished cohort says anything about %s of %s", key.Stage, key.Species)
	case len(f.Observations) != observations:
		return f, refuse("there are %d observations now and were %d when you looked; look again", len(f.Observations), observations)
	}
	return f, nil
}

func (c *core) adoptConstants(a AdoptConstants, at time.Time) error {
	f, err := c.decide(a.Key, a.Observations, a.Who)
	if err != nil {
		return err
	}
	species, _ := c.starting.Species(a.Species)
	stages, err := f.Constants(species, a.Fit)
	if err != nil {
		return refused(err)
	}
	for _, st := range stages {
		if c.starting.Stated(a.Species, st.Stage) {
			return refuse("facility.yaml states the constants of %s of %s; change them there", st.Stage, a.Species)
		}
	}
	d := Decision{Key: a.Key, Adopted: true, Fit: a.Fit, Stages: stages, Observations: a.Observations, Who: a.Who, At: at}
	// The spread among cohorts is judged by the constants that will hold.
	trial := c.learning.changed()
	trial.Decisions = append(trial.Decisions, d)
	catalog, err := trial.Apply(c.starting)
	if err != nil {
		return refused(err)
	}
	adopted, _ := catalog.Species(a.Species)
	trial.Decisions[len(trial.Decisions)-1].RateSpread = study.RateSpread(spreadOf(adopted, species), c.learning.Observations)
	return c.decided(trial, a.Species)
}

// spreadOf is the species with adopted constants and the spread that the
// starting entry states.
func spreadOf(adopted, starting *rearing.Species) *rearing.Species {
	sp := *adopted
	sp.RateSpread = starting.RateSpread
	return &sp
}

func (c *core) refuseConstants(r RefuseConstants, at time.Time) error {
	if _, err := c.decide(r.Key, r.Observations, r.Who); err != nil {
		return err
	}
	next := c.learning.changed()
	next.Decisions = append(next.Decisions, Decision{Key: r.Key, Observations: r.Observations, Who: r.Who, At: at})
	return c.decided(next, r.Species)
}

// decided puts a decision into force: from now on cohorts of the species,
// also those being reared, go by the constants it leaves.
func (c *core) decided(l *Learning, id rearing.SpeciesID) error {
	catalog, err := l.Apply(c.starting)
	if err != nil {
		return refused(err)
	}
	if err := c.keepLearning(l); err != nil {
		return err
	}
	c.useCatalog(catalog)
	species, _ := catalog.Species(id)
	for _, s := range c.cohorts {
		if s.cohort.Species != id {
			continue
		}
		fresh, err := newCohortState(s.cohort, species)
		if err != nil {
			return refused(err)
		}
		fresh.counts = s.counts
		fresh.redoFrom(s.cohort.Start)
		*s = *fresh
	}
	if err := c.redoCohorts(c.settledTo); err != nil {
		return err
	}
	return c.refreshLimits(c.clock)
}

// useCatalog makes a catalog the one in force.
func (c *core) useCatalog(catalog *rearing.Catalog) {
	c.catalog = catalog
	c.speciesViews = speciesList(catalog)
}

// airSum is the air of a cohort in short: the temperature summed up over time,
// kept every few hours. It tells the mean temperature between any two times.
type airSum struct {
	From time.Time `json:"from,omitzero"`
	At   time.Time `json:"at,omitzero"`
	// Sum is in °C·days since From; Steps holds it at From + airStep, From +
	// 2 airStep and so on.
	Sum   float64   `json:"sum"`
	Steps []float64 `json:"steps,omitempty"`
}

const airStep = 6 * time.Hour

// add takes the next segment of the cohort's air.
func (a *airSum) add(seg roomair.Segment) {
	if a.From.IsZero() {
		a.From, a.At = seg.From, seg.From
	}
	for {
		part, ok := seg.Clip(later(a.At, seg.From), seg.To)
		if !ok {
			return
		}
		next := a.From.Add(time.Duration(len(a.Steps)+1) * airStep)
		whole := !next.After(part.To)
		if whole {
			if part, ok = part.Clip(part.From, next); !ok {
				return
			}
		}
		a.Sum += (part.FromC + part.ToC) / 2 * part.To.Sub(part.From).Hours() / 24
		a.At = part.To
		if whole {
			a.Steps = append(a.Steps, a.Sum)
		}
	}
}

// at is the sum up to t, on straight lines between the times kept.
func (a *airSum) at(t time.Time) float64 {
	i := int(t.Sub(a.From) / airStep)
	sumAt := func(i int) (float64, time.Time) {
		switch {
		case i == 0:
			return 0, a.From
		case i <= len(a.Steps):
			return a.Steps[i-1], a.From.Add(time.Duration(i) * airStep)
		}
		return a.Sum, a.At
	}
	from, begin := sumAt(i)
	to, end := sumAt(i + 1)
	if !end.After(begin) {
		return from
	}
	return from + (to-from)*float64(t.Sub(begin))/float64(end.Sub(begin))
}

// mean is the mean temperature in °C between two times, and false where the
// air of that time is not known.
func (a *airSum) mean(from, to time.Time) (float64, bool) {
	if a.From.IsZero() || from.Before(a.From) || to.After(a.At) || !to.After(from) {
		return 0, false
	}
	return (a.at(to) - a.at(from)) / (to.Sub(from).Hours() / 24), true
}
