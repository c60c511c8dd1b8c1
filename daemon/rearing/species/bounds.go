package species

import "cmp"

// buildLimits takes each limit from the last of the layers that states it.
func buildLimits(layers []*limitsDoc) StageLimits {
	var out StageLimits
	dryingAfter, dampAfter := defaultDryingAfter, defaultDampAfter
	for _, l := range layers {
		if l == nil {
			continue
		}
		source, assumed := sourceOf(l.Source, l.Assumed)
		state := func(bound **Bound, value *float64) {
			if value != nil {
				*bound = &Bound{Value: *value, Source: source, Assumed: assumed}
			}
		}
		state(&out.Heat, l.HeatC)
		state(&out.Chill, l.ChillC)
		state(&out.Drying, l.DryingKPa)
		state(&out.Damp, l.DampPercent)
		if l.DryingAfter != nil {
			dryingAfter = *l.DryingAfter
		}
		if l.DampAfter != nil {
			dampAfter = *l.DampAfter
		}
		if l.Injury != nil {
			injury := HeatInjury(*l.Injury)
			injury.Source, injury.Assumed = sourceOf(injury.Source, injury.Assumed)
			out.Injury = &injury
		}
	}
	if out.Drying != nil {
		out.Drying.After = dryingAfter
	}
	if out.Damp != nil {
		out.Damp.After = dampAfter
	}
	return out
}

// sourceOf is the source of a number and whether it is assumed: without a
// stated source every number is.
func sourceOf(source string, assumed bool) (string, bool) {
	return cmp.Or(source, CommonPractice), assumed || source == ""
}
