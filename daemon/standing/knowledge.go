package standing

import (
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
)

// Knowledge is what cohorts go by: species as the library and the configuration
// have them, with what people adopted laid over them, and those that the
// configuration has lost.
type Knowledge struct {
	snapshot.Knowledge
	// Lost are species as cohorts go by them still.
	Lost map[species.ID]*species.Species
}

// NewKnowledge is what is known before anything was learned.
func NewKnowledge(starting *species.Catalog) Knowledge {
	k := Knowledge{Knowledge: snapshot.Knowledge{Starting: starting, Learning: &study.Learning{}}}
	k.Use(starting)
	return k
}

// Use makes a catalog the one in force.
func (k *Knowledge) Use(catalog *species.Catalog) {
	k.Catalog, k.Species = catalog, snapshot.SpeciesIn(catalog)
}

// Learn puts what was learned into force. An error says what of it is left out.
func (k *Knowledge) Learn(l *study.Learning) error {
	catalog, err := l.Apply(k.Starting)
	k.Learning = l
	k.Use(catalog)
	return err
}

// SpeciesOf is the species that a cohort goes by: that of the configuration, or
// where it has lost it, the one that was in force last. It is nil for neither.
func (k *Knowledge) SpeciesOf(cohort *population.Cohort, counts []population.Count) *species.Species {
	if sp, ok := k.Catalog.Species(cohort.Species); ok && Fits(sp, cohort, counts) {
		return sp
	}
	return k.Lost[cohort.Species]
}
