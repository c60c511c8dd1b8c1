// Package letter is what a notice says: the news of an incident as facts, and
// the words in which each person reads it.
package letter

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

// Kind says what a notice tells about its alarm.
type Kind string

// The kinds of news.
const (
	// Raised calls for a person.
	Raised Kind = "raised"
	// Reminder calls again for an alarm that is still on.
	Reminder Kind = "reminder"
	// Taken says that somebody has it.
	Taken Kind = "taken"
	// Going says that somebody has it and is on the way.
	Going Kind = "going"
	// Cleared says that the incident is over.
	Cleared Kind = "cleared"
	// Over says that an incident of which the person was never told was on and
	// is over. It is never planned; delivery makes it of a Cleared that
	// overtook its Raised.
	Over Kind = "over"
	// Test is no news of an alarm: nothing is wrong, and the person is asked to
	// say that it arrived.
	Test Kind = "test"
)

// AlarmNotice is the news about one incident, by the alarm to act on first, with
// all that a person needs to act. It is kept as JSON in the outbox.
type AlarmNotice struct {
	Facility string `json:"facility"`
	// Invented marks the made-up facility of a demo.
	Invented bool       `json:"invented,omitempty"`
	Kind     Kind       `json:"kind"`
	Key      alerts.Key `json:"key"`
	// Occurrence is the number of the incident: of the alarm it began with.
	Occurrence int64 `json:"occurrence"`
	// Sequence orders the news of one occurrence; a receiver drops what is
	// older than what it has.
	Sequence int64           `json:"sequence"`
	Priority alerts.Priority `json:"priority"`
	// Title is a few words, for example "too hot".
	Title    string `json:"title"`
	RoomName string `json:"room_name"`
	wording.Measure
	alerts.Advice
	Detail wording.Text `json:"detail"`
	Circumstances
	// RaisedAt is when the incident began, Time when this news happened.
	RaisedAt time.Time `json:"raised_at"`
	Time     time.Time `json:"time"`
	// Due is the time by which a person must have acted, zero if unknown.
	Due time.Time `json:"due,omitzero"`
	Audience
	Links
}

// Links lead from a notice to pages.
type Links struct {
	// Link leads to the page on which the alarm is acknowledged.
	Link string `json:"link,omitempty"`
	// Answer leads to a page that knows whom the notice is for and asks for no
	// password. It is made when the notice is sent, and kept nowhere.
	Answer string `json:"-"`
}

// Circumstances are what else there is to know of the incident.
type Circumstances struct {
	// Others are its other alarms, the most urgent first; Steps is what to do
	// after the first action, in order.
	Others []Companion `json:"others,omitempty"`
	Steps  []string    `json:"steps,omitempty"`
	// AtRisk are the cohorts that it puts at risk, the most delicate first.
	AtRisk []Cohort `json:"at_risk,omitempty"`
	// TakenBy has it; empty for nobody.
	TakenBy string `json:"taken_by,omitempty"`
	// AskedBy asked for a test; empty for the schedule of drills.
	AskedBy string `json:"asked_by,omitempty"`
	Answers
}

// DelicateFirst orders cohorts: those in a delicate time first, then those of
// more animals.
func DelicateFirst(list []Cohort) []Cohort {
	return slices.SortedStableFunc(slices.Values(list), func(a, b Cohort) int {
		delicate := func(c Cohort) int { return min(1, len(c.Near)) }
		return cmp.Or(cmp.Compare(delicate(b), delicate(a)), cmp.Compare(b.Animals, a.Animals))
	})
}

// Companion is another alarm of an incident. Value and Limit are in Unit, those
// furthest beyond; without a unit there is no number.
type Companion struct {
	Title   string  `json:"title"`
	Subject string  `json:"subject,omitempty"`
	Value   float64 `json:"value,omitempty"`
	Limit   float64 `json:"limit,omitempty"`
	Unit    string  `json:"unit,omitempty"`
	// Difference and AirC are those of a Measure.
	Difference bool     `json:"difference,omitempty"`
	AirC       *float64 `json:"air_c,omitempty"`
}

func (o *Companion) measure() wording.Measure {
	return wording.Measure{Value: o.Value, Limit: o.Limit, Unit: o.Unit, Difference: o.Difference, AirC: o.AirC}
}

// Audience is how a person reads.
type Audience struct {
	// Zone is the IANA name of the time zone in which the person reads times.
	Zone     string           `json:"zone"`
	Language wording.Language `json:"language,omitempty"`
	Scale    wording.Scale    `json:"temperature,omitempty"`
}

// Reader is who reads the notice.
func (a Audience) Reader() wording.Reader {
	zone, err := time.LoadLocation(a.Zone)
	if err != nil {
		zone = time.UTC
	}
	return wording.Reader{Language: a.Language, Scale: a.Scale, Zone: zone}
}

// Cohort is one that an incident puts at risk.
type Cohort struct {
	ID      string `json:"id"`
	Species string `json:"species"`
	// Stage is where most of its animals are.
	Stage   string `json:"stage,omitempty"`
	Animals int    `json:"animals,omitempty"`
	// Near is the event that makes it delicate now, empty for none.
	Near string `json:"near,omitempty"`
}

// Ended says that the news is of an end.
func (n AlarmNotice) Ended() bool { return n.Kind == Cleared || n.Kind == Over }

// OccurrenceName names an occurrence for good: its time is part of it, since
// occurrences are numbered anew with new records.
func (n AlarmNotice) OccurrenceName() string {
	return fmt.Sprintf("%d-%d", n.Occurrence, n.RaisedAt.UnixMilli())
}
