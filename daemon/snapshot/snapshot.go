// Package snapshot is the state of a facility as everybody else sees it: pages,
// metrics, the API and the command line. A snapshot is never changed after it
// is published, so any number of readers may use it without locks.
package snapshot

import (
	"slices"
	"strings"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/performance"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/study"
	"rearguard/sensors/desk"
)

// Snapshot is the state after one batch of events.
type Snapshot struct {
	// Time is the engine's clock: the time of the last event handled.
	Time time.Time
	Site
	Rooms []Room
	desk.Picture
	Cohorts []Cohort
	Knowledge
	// Alarms are all alarms that are not in the normal state: those whose
	// condition is true first, and among each the most urgent first.
	Alarms []Alarm
	// Incidents put alarms together that are of one trouble: the open ones, then
	// those that ended lately.
	Incidents []Incident
	// AlarmTotals are figures of the alarm system itself.
	AlarmTotals performance.Totals
	// LimitChanges are the latest changes of configured limits, oldest first.
	LimitChanges []LimitChange

	Broker Link
	Store  Store
	Clock  Clock
	// Notices counts notices that are done with by what became of them,
	// Pending those that are not.
	Notices []NoticeTotal
	Pending int
	// Failing are the channels that failed several times in a row and are tried
	// now and then only.
	Failing []circuit.State
	// Overdue counts urgent notices that should have reached somebody by now.
	Overdue int
	// Proof is how the proof stands that all works, from a sensor to a person.
	Proof Proof
	// Sites are the other sites that are to be heard of.
	Sites []conditions.SiteSign
}

// Proof is how the proof stands that all works, from a sensor to a person.
type Proof struct {
	// At is when all of it was last there, zero for never since the start;
	// Missing says in sentences what is missing now.
	At      time.Time
	Missing []string
	// Told is when the watcher outside was last told, and what kept it from being
	// told since; empty where there is none.
	Told    time.Time
	Problem string
}

// Site is the facility itself.
type Site struct {
	Facility string
	// Invented is set when the data is a made-up scenario (the demo).
	Invented bool
	// Location is the time zone in which people read times.
	Location *time.Location
}

// Zone is the time zone in which people read times, UTC if none is known.
func (s *Snapshot) Zone() *time.Location {
	if s.Location == nil {
		return time.UTC
	}
	return s.Location
}

// Knowledge is what is known of species.
type Knowledge struct {
	// Species are those a cohort can be entered for, in order of name.
	Species []Species
	// Catalog are the species in force, Starting those before anything was
	// adopted. Neither is ever changed.
	Catalog, Starting *species.Catalog
	// Learning is what finished cohorts taught and what people made of it.
	Learning *study.Learning
}

// Species is one species entry as far as forms need it.
type Species struct {
	ID   species.ID
	Name string
	// ScientificName is the Latin name, empty if Name is it already.
	ScientificName string
	// Stages are all stages of the species in order of development.
	Stages []StageName
	// Assumed is set when the constants have no published source.
	Assumed bool
	// Origin says where the entry comes from.
	Origin species.Origin
}

// StageName is a stage with the name people read.
type StageName struct {
	ID   species.StageID
	Name string
}

// SpeciesIn are the species of a catalog for forms, in order of name.
func SpeciesIn(catalog *species.Catalog) []Species {
	var list []Species
	for _, sp := range catalog.All() {
		v := Species{ID: sp.ID, Name: sp.CommonName, ScientificName: sp.ScientificName, Assumed: sp.Assumed(), Origin: sp.Origin}
		for _, st := range sp.Stages {
			v.Stages = append(v.Stages, StageName{ID: st.ID, Name: st.Name})
		}
		list = append(list, v)
	}
	slices.SortFunc(list, func(a, b Species) int { return strings.Compare(a.Name, b.Name) })
	return list
}

// Link is the state of the broker link.
type Link struct {
	Address    string
	Connected  bool
	Subscribed bool
	Since      time.Time
	// Problem says why the link is down and what to do, empty when it is up.
	Problem string
	// SessionLost is when the broker was last found to have forgotten the
	// session, with what it should have kept in it; zero for never since the
	// start.
	SessionLost time.Time `json:",omitzero"`
	// CertificateEnds is when the broker's certificate is no longer believed,
	// zero while that is not known.
	CertificateEnds time.Time `json:",omitzero"`
}

// Store is the state of the records.
type Store struct {
	Path string
	OK   bool
	// Problem says what stands in the way of writing or reading.
	Problem string
	// Unwritten is how many messages wait to be written.
	Unwritten int
}

// NoticeTotal counts notices by channel and outcome.
type NoticeTotal struct {
	Channel string
	Outcome notify.State
	Count   uint64
}

// LimitChange is one change of the configured limits, found at a start.
type LimitChange struct {
	At   time.Time `json:"at"`
	What string    `json:"what"`
	// From and To are as in the configuration, empty for not set.
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// CalibrationsDue lists the series whose calibration is due within a time,
// soonest first. It is a reminder, never an alarm.
func (s *Snapshot) CalibrationsDue(within time.Duration) []desk.CalibrationDue {
	return s.Picture.CalibrationsDue(s.Time, within)
}
