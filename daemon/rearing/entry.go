package rearing

import "time"

// speciesDoc is a species entry as written: only what is stated is set, so
// that an entry of the facility can be laid over one of the library.
type speciesDoc struct {
	at                                    place
	id                                    SpeciesID
	commonName, scientificName, rearedFor *string
	hostPlant, note                       *string
	rateSpread                            *float64
	totals                                []totalDoc
	limits                                limitsDoc
	stages                                []stageDoc
	fromLibrary, fromFacility             bool
	// adopted is set for constants that the facility's own cohorts gave.
	adopted bool
}

// totalDoc is a published constant that covers several stages; stages take
// shares of it.
type totalDoc struct {
	at             place
	id             string
	durations      []StageDuration
	lower, upper   *float64
	requirement    *float64
	source, method *string
	assumed        *bool
	note           *string
}

type stageDoc struct {
	at                   place
	id                   StageID
	shareOf              *string
	name, model, cutoff  *string
	lower, upper         *float64
	parameters           map[string]float64
	requirement, share   *float64
	spread               *float64
	survival             *float64
	distribution         *string
	durations            []StageDuration
	limits               limitsDoc
	delicate             []Window
	length, lengthSD     *float64
	source, method, note *string
	assumed              *bool
}

type limitsDoc struct {
	heat, chill, drying, damp boundDoc
	injury                    *HeatInjury
}

// boundDoc is one limit as written; the source stands for its value only.
type boundDoc struct {
	value   *float64
	after   *time.Duration
	source  string
	assumed bool
}

// over lays b over a: every field that b states wins.
func over[T any](a, b *T) *T {
	if b != nil {
		return b
	}
	return a
}

// over lays an entry of the facility over one of the library.
func (d speciesDoc) over(b speciesDoc) speciesDoc {
	d.at = b.at
	d.fromFacility = true
	d.commonName = over(d.commonName, b.commonName)
	d.scientificName = over(d.scientificName, b.scientificName)
	d.rearedFor = over(d.rearedFor, b.rearedFor)
	d.hostPlant = over(d.hostPlant, b.hostPlant)
	d.note = over(d.note, b.note)
	d.rateSpread = over(d.rateSpread, b.rateSpread)
	if b.totals != nil {
		d.totals = b.totals
	}
	d.limits = d.limits.over(b.limits)
	stages := append([]stageDoc(nil), d.stages...)
	for _, s := range b.stages {
		found := false
		for i := range stages {
			if stages[i].id == s.id {
				stages[i] = stages[i].over(s)
				found = true
			}
		}
		if !found {
			stages = append(stages, s)
		}
	}
	// A stage the facility adds (an extra instar, a prepupa) goes to its
	// place in the order of development.
	for i := 1; i < len(stages); i++ {
		for j := i; j > 0 && stageRank(stages[j].id) < stageRank(stages[j-1].id); j-- {
			stages[j], stages[j-1] = stages[j-1], stages[j]
		}
	}
	d.stages = stages
	return d
}

func (d stageDoc) over(b stageDoc) stageDoc {
	d.at = b.at
	if b.restates() {
		// Constants stand or fall together: a requirement belongs to the
		// threshold and the method it was found with.
		d.requirement, d.share, d.shareOf, d.durations = nil, nil, nil, nil
		if b.durations != nil || b.model != nil {
			d.lower, d.upper, d.cutoff, d.model, d.parameters = nil, nil, nil, nil, nil
		}
		d.source, d.method, d.assumed, d.note = nil, nil, nil, nil
		own := "the facility's own entry"
		d.source = &own
	}
	d.name = over(d.name, b.name)
	d.model = over(d.model, b.model)
	d.cutoff = over(d.cutoff, b.cutoff)
	d.lower = over(d.lower, b.lower)
	d.upper = over(d.upper, b.upper)
	if b.parameters != nil {
		d.parameters = b.parameters
	}
	d.requirement = over(d.requirement, b.requirement)
	d.share = over(d.share, b.share)
	d.shareOf = over(d.shareOf, b.shareOf)
	if b.durations != nil {
		d.durations = b.durations
	}
	d.spread = over(d.spread, b.spread)
	d.survival = over(d.survival, b.survival)
	d.distribution = over(d.distribution, b.distribution)
	d.limits = d.limits.over(b.limits)
	if b.delicate != nil {
		d.delicate = b.delicate
	}
	d.length = over(d.length, b.length)
	d.lengthSD = over(d.lengthSD, b.lengthSD)
	d.source = over(d.source, b.source)
	d.method = over(d.method, b.method)
	d.assumed = over(d.assumed, b.assumed)
	d.note = over(d.note, b.note)
	return d
}

// restates reports whether the entry gives thermal constants of its own.
func (d stageDoc) restates() bool {
	return d.model != nil || d.lower != nil || d.requirement != nil || d.share != nil || d.durations != nil
}

func (d limitsDoc) over(b limitsDoc) limitsDoc {
	d.heat = d.heat.over(b.heat)
	d.chill = d.chill.over(b.chill)
	d.drying = d.drying.over(b.drying)
	d.damp = d.damp.over(b.damp)
	d.injury = over(d.injury, b.injury)
	return d
}

func (d boundDoc) over(b boundDoc) boundDoc {
	d.after = over(d.after, b.after)
	if b.value != nil {
		d.value, d.source, d.assumed = b.value, b.source, b.assumed
	}
	return d
}
