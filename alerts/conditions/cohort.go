package conditions

import (
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/sensors"
)

// CohortState is what EvaluateCohort looks at. It says nothing of species:
// what is expected, and when, comes from above.
type CohortState struct {
	Cohort   string
	Room     sensors.RoomID
	Now      time.Time
	Location *time.Location
	// Stage is what the cohort is in, Event what is expected next, for
	// example "pupa" and "eclosion".
	Stage, Event string
	// ExpectedMedian and ExpectedLate are the forecast of the event; zero
	// where there is none. Seen is set once a count has confirmed it.
	ExpectedMedian, ExpectedLate time.Time
	Seen                         bool
	// StillSince is since when development has been standing still: since
	// then less thermal time passed than LeastPerDay. Zero while it passes.
	StillSince time.Time
	// Assumed is set when the forecast rests on assumed constants.
	Assumed bool
}

const (
	// overdueShare of the forecast's half-width is waited beyond its late
	// bound, overdueFloor at least: one cohort in ten is later than the
	// bound of the central 80 % by chance alone.
	overdueShare = 1.0
	overdueFloor = 12 * time.Hour
	// stalledAfter is how long development stands still before a person
	// should know.
	stalledAfter = 24 * time.Hour
)

// EvaluateCohort returns the findings about the development of one cohort.
func EvaluateCohort(in CohortState) []alerts.Observation {
	return []alerts.Observation{in.overdue(), in.stalled()}
}

func (in CohortState) found(c alerts.Condition) alerts.Observation {
	return alerts.Observation{
		Key:  alerts.Key{Condition: c, Room: in.Room, Subject: in.Cohort},
		Time: in.Now, Unit: "h",
	}
}

func (in CohortState) overdue() alerts.Observation {
	o := in.found(CohortOverdue)
	if in.Seen {
		o.Truth = alerts.False
		return o
	}
	if in.ExpectedLate.IsZero() || in.ExpectedMedian.IsZero() {
		return o
	}
	wait := max(overdueFloor, time.Duration(overdueShare*float64(in.ExpectedLate.Sub(in.ExpectedMedian))))
	o.Value, o.Limit = in.Now.Sub(in.ExpectedLate).Hours(), wait.Hours()
	o.Truth = alerts.Above(o.Value, o.Limit, 0)
	o.Detail = fmt.Sprintf("cohort %s in %s: %s expected about %s, at the latest %s, and none counted",
		in.Cohort, in.Stage, in.Event, clock(in.ExpectedMedian, in.Now, in.Location), clock(in.ExpectedLate, in.Now, in.Location))
	if in.Assumed {
		o.Detail += " (forecast from assumed constants)"
	}
	return o
}

func (in CohortState) stalled() alerts.Observation {
	o := in.found(CohortStalled)
	o.Limit = stalledAfter.Hours()
	if in.StillSince.IsZero() {
		o.Truth = alerts.False
		return o
	}
	still := in.Now.Sub(in.StillSince)
	o.Value, o.Truth = still.Hours(), alerts.Between
	if still >= stalledAfter {
		o.Truth = alerts.True
	}
	o.Detail = fmt.Sprintf("cohort %s in %s has not developed since %s", in.Cohort, in.Stage, clock(in.StillSince, in.Now, in.Location))
	return o
}
