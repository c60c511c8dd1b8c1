// Package species holds the species library and what a facility lays over it:
// which stages a species passes, what each needs of thermal time, and which air
// harms it. Every number has its source, or is marked as assumed.
package species

import (
	"fmt"
	"hash/crc32"
	"strings"
)

// ID names a species entry, for example "danaus-plexippus".
type ID string

// Origin says where an entry comes from.
type Origin string

// The origins.
const (
	OriginLibrary  Origin = "library"
	OriginFacility Origin = "facility"
	// OriginChanged is an entry of the library over which the facility's own
	// is laid.
	OriginChanged Origin = "library, changed by facility"
)

// Species is one entry of the species library or of a facility. It comes from
// a Catalog, is not changed after it is built and may be shared between goroutines.
type Species struct {
	ID             ID
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
	Origin Origin

	shapes *shapes
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

// SurvivalBetween is the share of animals now in stage from that reach stage
// to, both places in Stages.
func (sp *Species) SurvivalBetween(from, to int) float64 {
	share := 1.0
	for s := from; s < to; s++ {
		share *= sp.Stages[s].Survival
	}
	return share
}

// RequirementOf is what the animal on one of strata.Count equal strata needs to
// pass a stage, in the unit of the stage's rate: the same-shape rule says that
// it is the mean requirement times a factor of the animal, whatever the
// temperature.
func (sp *Species) RequirementOf(stage, stratum int) float64 {
	st := &sp.Stages[stage]
	return st.Requirement * st.Distribution.multiple(sp.shapes.of(st.Distribution, stratum), st.Spread)
}

// Fingerprint changes when any constant that thermal time depends on does.
func (sp *Species) Fingerprint() uint32 {
	h := crc32.NewIEEE()
	fmt.Fprintf(h, "%x|", sp.RateSpread)
	for i := range sp.Stages {
		st := &sp.Stages[i]
		fmt.Fprintf(h, "%s|%s|%x|%x|%s|", st.ID, st.rateKey, st.Requirement, st.Spread, st.Distribution)
	}
	return h.Sum32()
}

// Endless reports whether animals stay in stage s: the adult without an end,
// and beyond the last stage.
func (sp *Species) Endless(s int) bool { return s >= len(sp.Stages) || sp.Stages[s].Rate == nil }
