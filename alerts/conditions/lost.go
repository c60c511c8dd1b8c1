package conditions

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
	"rearguard/sensors"
)

// lostDefinitions are about living cohorts that the configuration no longer has
// a room or constants for.
func lostDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     CohortUnwatched,
			Title:         "cohort not watched",
			Cause:         "facility.yaml was changed: the room the cohort stands in, or its species, is no longer in it.",
			Consequence:   "Heat, cold or dryness would raise no alarm for this cohort, and its development is not followed.",
			FirstAction:   "Move the cohort on its page to the room it stands in, or put the entry back into facility.yaml and reload. Read a thermometer beside it until then.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			ReAlarm:       4 * time.Hour,
		},
		{
			Condition:     SpeciesLost,
			Title:         "species no longer configured",
			Cause:         "facility.yaml was changed: the species of a living cohort, or a stage that its counts name, is no longer in it.",
			Consequence:   "The cohort is watched by the constants that were in force last. No further cohort of the species can be entered.",
			FirstAction:   "Put the entry of the species back into facility.yaml and reload, or close the cohort when it is done.",
			TimeToRespond: 24 * time.Hour,
			Severity:      alerts.Minor,
		},
	}
}

// LostState is what EvaluateLost looks at: a living cohort, and what of it the
// configuration has lost.
type LostState struct {
	Cohort, Species string
	Room            sensors.RoomID
	Now             time.Time
	// RoomGone is set when the room is not in the configuration, SpeciesGone
	// when the species is not in it as the cohort needs it, Asleep when not even
	// older constants are known.
	RoomGone, SpeciesGone, Asleep bool
}

// EvaluateLost returns the findings about what the configuration has lost of
// one cohort.
func EvaluateLost(in LostState) []alerts.Observation {
	found := func(c alerts.Condition, lost bool, said wording.Text) alerts.Observation {
		o := alerts.Observation{Key: alerts.Key{Condition: c, Subject: in.Cohort}, Time: in.Now, Truth: alerts.False}
		if lost {
			o.Truth, o.Detail = alerts.True, said
		}
		return o
	}
	cohort := wording.Name(in.Cohort)
	unwatched := found(CohortUnwatched, in.RoomGone, wording.Say("cohort %s stands in room %s, which is gone: move it or restore the room", cohort, wording.Name(in.Room)))
	if in.Asleep {
		unwatched = found(CohortUnwatched, true, wording.Say("cohort %s is of species %s, which nobody knows any more: put its entry back", cohort, wording.Name(in.Species)))
	}
	return []alerts.Observation{
		unwatched,
		found(SpeciesLost, in.SpeciesGone && !in.Asleep, wording.Say(
			"cohort %s is of species %s, which is gone: it goes by the constants that were in force last; put the entry back", cohort, wording.Name(in.Species))),
	}
}
