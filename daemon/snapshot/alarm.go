package snapshot

import (
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
	"rearguard/daemon/rearing/population"
)

// Alarm is one alarm with all that a person needs to act.
type Alarm struct {
	Key        alerts.Key
	Occurrence int64
	Priority   alerts.Priority
	State      alerts.State
	Active     bool
	// Title is a few words, for example "too hot".
	Title string
	alerts.Advice
	// Value and Limit are in Unit; without a unit there is no number.
	Value, Limit float64
	Unit         string
	// AirC is that of alerts.Finding.
	AirC *float64
	// Detail is in English.
	Detail              string
	RaisedAt, ClearedAt time.Time
	// UnknownSince is since when the alarm is held as it is for want of data,
	// zero while there is some; Want says what is missing.
	UnknownSince time.Time
	Want         string
	Handling
	// Cohorts are the cohorts that this alarm puts at risk.
	Cohorts []population.CohortID
	// Due is by when somebody should have acted.
	Due time.Time
	// Under is the root alarm this one is a consequence of, nil for a root.
	Under *alerts.Key
}

// Handling is what people and logic have done about an alarm.
type Handling struct {
	AcknowledgedAt time.Time
	AcknowledgedBy string
	// Going is set while who acknowledged it is on the way.
	Going                    bool
	ShelvedUntil             time.Time
	ShelvedBy, ShelvedReason string
	// OutOfServiceBy is the person who took it out of service, and why.
	OutOfServiceBy, OutOfServiceReason string
}

// AlarmOf is an alarm as people see it who read times in a zone, with its
// definition and the cohorts it puts at risk.
func AlarmOf(a *alerts.Alarm, def *alerts.Definition, cohorts []population.CohortID, zone *time.Location) Alarm {
	reader := wording.Reader{Zone: zone}
	v := Alarm{
		Key: a.Key, Occurrence: a.Occurrence, Priority: def.Priority(), State: a.State(), Active: a.Active,
		Title: def.Title, Advice: def.Advice(),
		Value: a.Value, Limit: a.Limit, Unit: a.Unit, AirC: a.AirC, Detail: reader.Say(a.Detail), RaisedAt: a.RaisedAt, ClearedAt: a.ClearedAt,
		UnknownSince: a.UnknownSince, Want: reader.Say(a.Want),
		Handling: Handling{
			AcknowledgedAt: a.AckedAt, AcknowledgedBy: a.AckedBy, Going: a.Going,
			ShelvedUntil: a.ShelvedUntil, ShelvedBy: a.ShelvedBy, ShelvedReason: a.ShelveReason,
			OutOfServiceBy: a.OutOfServiceBy, OutOfServiceReason: a.OutOfServiceReason,
		},
		Cohorts: cohorts, Due: a.Due,
	}
	if a.Under != nil {
		under := *a.Under
		v.Under = &under
	}
	return v
}

// Held reports whether the alarm stays on for want of data.
func (a *Alarm) Held() bool { return a.Active && !a.UnknownSince.IsZero() }

// ActiveFirst sorts what is wrong now before what is over and not
// acknowledged, and leaves the order among each.
func ActiveFirst(list []Alarm) {
	slices.SortStableFunc(list, func(a, b Alarm) int {
		switch {
		case a.Active && !b.Active:
			return -1
		case b.Active && !a.Active:
			return 1
		}
		return 0
	})
}
