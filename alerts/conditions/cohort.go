package conditions

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
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
	// Still is how long development has been standing still.
	Still Standstill
	// Assumed is set when the forecast rests on assumed constants.
	Assumed bool
}

// Standstill is how long the development of a cohort has been standing still,
// as far as that was seen. The zero value is that it goes on.
type Standstill struct {
	// Since is when it began, zero while development goes on.
	Since time.Time `json:"since,omitzero"`
	// At is the time up to which it has been followed, Missed how much of the
	// time since Since had no data.
	At     time.Time     `json:"at,omitzero"`
	Missed time.Duration `json:"missed,omitempty"`
	// Unseen is set while the temperature is not known.
	Unseen bool `json:"unseen,omitempty"`
}

// Follow takes in whether development stands still now.
func (x Standstill) Follow(now time.Time, still alerts.Truth) Standstill {
	if still == alerts.False {
		return Standstill{}
	}
	unseen := still == alerts.Unknown
	switch span := now.Sub(x.At); {
	case x.Since.IsZero() && !unseen:
		x.Since = now
	case !x.Since.IsZero() && span > 0 && (unseen || x.Unseen):
		x.Missed += span
	}
	x.At, x.Unseen = now, unseen
	return x
}

// Resume takes in that time went on from one instant at another without
// anything being seen between them; see RoomMemory.
func (x Standstill) Resume(from, at time.Time, passed bool) Standstill {
	by := at.Sub(from)
	x.Unseen = x.Unseen || passed
	if !passed || by < 0 {
		x.Since, x.At = sensors.Moved(x.Since, by), sensors.Moved(x.At, by)
	}
	return x
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
	o.Detail = wording.Say("cohort %s in %s: %s expected about %s, at the latest %s, and none counted",
		wording.Name(in.Cohort), wording.Word(in.Stage), wording.Word(in.Event), wording.Clock(in.ExpectedMedian, in.Now, in.Location), wording.Clock(in.ExpectedLate, in.Now, in.Location))
	if in.Assumed {
		o.Detail = o.Detail.And(" (forecast from assumed constants)")
	}
	return o
}

func (in CohortState) stalled() alerts.Observation {
	o := in.found(CohortStalled)
	o.Limit = stalledAfter.Hours()
	x := in.Still
	if x.Unseen {
		o.Detail = wording.Say("without a temperature of the room nobody can tell if it develops")
		return o
	}
	if x.Since.IsZero() {
		o.Truth = alerts.False
		return o
	}
	still := in.Now.Sub(x.Since) - x.Missed
	o.Value, o.Truth = still.Hours(), alerts.Between
	if still >= stalledAfter {
		o.Truth = alerts.True
	}
	o.Detail = wording.Say("cohort %s in %s has not developed since %s", wording.Name(in.Cohort), wording.Word(in.Stage), wording.Clock(x.Since, in.Now, in.Location))
	if x.Missed >= time.Minute {
		o.Detail = o.Detail.And(", %s without data not counted", wording.Span(x.Missed))
	}
	return o
}
