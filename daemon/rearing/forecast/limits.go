package forecast

import (
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// LimitsFor returns the strictest limits among the stages that more than
// stragglers of the cohort are in, tightened while the forecast has part of it
// in a delicate window at the given time. Without a forecast (nil) nothing is
// tightened.
func LimitsFor(p *population.Progress, f *Forecast, at time.Time) []species.Limit {
	strictest := map[species.LimitKind]species.Limit{}
	offer := func(l species.Limit, stricter bool) {
		if _, ok := strictest[l.Kind]; !ok || stricter {
			strictest[l.Kind] = l
		}
	}
	sp := p.Species()
	for s, there := range p.Shares() {
		if there.Share <= population.StragglersShare {
			continue
		}
		for _, l := range sp.Stages[s].AirLimits() {
			offer(l, l.Stricter(strictest[l.Kind]))
		}
	}
	if f != nil {
		f.tighten(sp, at, strictest)
	}
	var out []species.Limit
	for _, k := range []species.LimitKind{species.Heat, species.Chill, species.Drying, species.Damp} {
		if l, ok := strictest[k]; ok {
			out = append(out, l)
		}
	}
	return out
}

// tighten applies the tightest window open at the time.
func (f *Forecast) tighten(sp *species.Species, at time.Time, limits map[species.LimitKind]species.Limit) {
	heat, heatSet := limits[species.Heat]
	drying, dryingSet := limits[species.Drying]
	base := [2]species.Limit{heat, drying}
	for _, e := range f.Events {
		s, _ := sp.StageIndex(e.Stage)
		st := &sp.Stages[s]
		for _, w := range st.Delicate {
			if !e.open(w, at) {
				continue
			}
			note := func(l species.Limit) species.Limit {
				l.Stage, l.StageName, l.Window = st.ID, st.Name, w.Event
				l.Source += "; tightened: " + w.Source
				l.Assumed = l.Assumed || w.Assumed
				return l
			}
			if l := base[0]; heatSet && w.HeatMarginC > 0 && l.Value-w.HeatMarginC < limits[species.Heat].Value {
				l.Value -= w.HeatMarginC
				limits[species.Heat] = note(l)
			}
			if l := base[1]; dryingSet && w.DryingFactor < 1 && l.Value*w.DryingFactor < limits[species.Drying].Value {
				l.Value *= w.DryingFactor
				l.After = time.Duration(float64(l.After) * w.DryingFactor)
				limits[species.Drying] = note(l)
			}
		}
	}
}

// open reports whether the central 80 % of the cohort reach into the window.
func (e Event) open(w species.Window, at time.Time) bool {
	if e.Early.IsZero() || at.Before(e.Early.Add(-w.Before)) {
		return false
	}
	return e.Late.IsZero() || !at.After(e.Late.Add(w.After))
}
