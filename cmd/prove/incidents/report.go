package incidents

import (
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
)

// Score sums up the incidents of one set of seeds.
type Score struct {
	// Seeds names the set: "tuning" or "held-out".
	Seeds     string `json:"seeds"`
	Incidents int    `json:"incidents"`
	Found     int    `json:"found"`
	// Harmful counts incidents that reached a tenth of a lethal dose, Missed
	// those of them that nobody was called about before.
	Harmful int `json:"harmful"`
	Missed  int `json:"missed"`
	// MedianDelay is from the beginning to the first call, over those found.
	MedianDelay time.Duration `json:"median_delay"`
	// HeatWarning is the time from the first call to harm over the incidents
	// that overheat animals; Least is the shortest.
	HeatWarning      time.Duration `json:"median_heat_warning"`
	LeastHeatWarning time.Duration `json:"least_heat_warning"`
	// MostInjury is the largest share of a lethal dose at the first call.
	MostInjury float64 `json:"most_injury_when_found"`
	// Right, Wrong and NotTold count the causes.
	Right   int `json:"cause_right"`
	Wrong   int `json:"cause_wrong"`
	NotTold int `json:"cause_not_told"`
	// Causes say how soon what is promised is named.
	Causes []CauseDelay `json:"causes,omitempty"`
	// PagesPerIncident is over the day or so that each lasts.
	PagesPerIncident float64 `json:"pages_per_incident"`
	// Elsewhere counts calls about rooms that were well.
	Elsewhere int `json:"calls_about_sound_rooms"`
}

// RightShare is the share of incidents whose cause was told right.
func (s Score) RightShare() float64 { return float64(s.Right) / float64(max(1, s.Incidents)) }

// CauseDelay is how long after its beginning a cause is named, over the incidents
// in which it is the only one that is right and is named.
type CauseDelay struct {
	Cause    alerts.Condition `json:"cause"`
	Median   time.Duration    `json:"median"`
	Most     time.Duration    `json:"p90"`
	Promised time.Duration    `json:"promised"`
	// Kept is in how many of Of it is named within what is promised.
	Kept int `json:"kept"`
	Of   int `json:"of"`
}

// delaysOf are those of the causes of which a time is promised.
func delaysOf(outcomes []Outcome) []CauseDelay {
	var list []CauseDelay
	for _, c := range []alerts.Condition{conditions.HeaterStuckOn, conditions.HumidifierExhausted, conditions.DoorOpen, conditions.MainsLost} {
		d := CauseDelay{Cause: c, Promised: Promised(c)}
		var after []time.Duration
		for _, o := range outcomes {
			if !o.Prompt || len(o.Wanted) != 1 || o.Wanted[0] != c {
				continue
			}
			d.Of++
			if o.NamedAfter > 0 {
				after = append(after, o.NamedAfter)
				if o.NamedAfter <= d.Promised {
					d.Kept++
				}
			}
		}
		if len(after) > 0 {
			slices.Sort(after)
			d.Median, d.Most = after[(len(after)-1)/2], after[(len(after)-1)*9/10]
			list = append(list, d)
		}
	}
	return list
}

// Sum sums outcomes up.
func Sum(seeds string, outcomes []Outcome) Score {
	s := Score{Seeds: seeds, Incidents: len(outcomes)}
	var delays, warnings []time.Duration
	pages := 0
	for _, o := range outcomes {
		if o.Found {
			s.Found++
			delays = append(delays, o.FoundAfter)
			s.MostInjury = max(s.MostInjury, o.Injury)
		}
		if o.Harmful {
			s.Harmful++
		}
		if o.Missed() {
			s.Missed++
		}
		if w, ok := o.Warning(); ok && o.Heat {
			warnings = append(warnings, w)
		}
		switch o.Cause {
		case CauseRight:
			s.Right++
		case CauseWrong:
			s.Wrong++
		case CauseNotTold:
			s.NotTold++
		}
		pages += o.Pages
		s.Elsewhere += o.Elsewhere
	}
	s.PagesPerIncident = float64(pages) / float64(max(1, len(outcomes)))
	s.Causes = delaysOf(outcomes)
	s.MedianDelay = middle(delays)
	s.HeatWarning = middle(warnings)
	if len(warnings) > 0 {
		s.LeastHeatWarning = slices.Min(warnings)
	}
	return s
}

func middle(d []time.Duration) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[len(d)/2]
}
