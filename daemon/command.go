package daemon

import (
	"time"

	"rearguard/alerts"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// Command is something a person tells the engine, from a page or the command
// line. Commands are kept in the journal with their time, so that replay can
// give them again.
type Command interface {
	// Kind is the name under which the command is kept in the journal.
	Kind() string
}

// Acknowledge confirms that Who has seen the alarm and takes it on.
type Acknowledge struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// Shelve silences an alarm for a limited time with a reason.
type Shelve struct {
	Key    alerts.Key    `json:"key"`
	Who    string        `json:"who"`
	For    time.Duration `json:"for"`
	Reason string        `json:"reason"`
}

// Unshelve ends a shelving before its time.
type Unshelve struct {
	Key alerts.Key `json:"key"`
	Who string     `json:"who"`
}

// AddCohort enters a cohort.
type AddCohort struct {
	Cohort rearing.Cohort `json:"cohort"`
	Who    string         `json:"who"`
}

// MoveCohort moves a cohort to another room from At on.
type MoveCohort struct {
	Cohort rearing.CohortID `json:"cohort"`
	Room   sensors.RoomID   `json:"room"`
	At     time.Time        `json:"at"`
	Who    string           `json:"who"`
}

// EndCohort closes a cohort at At.
type EndCohort struct {
	Cohort rearing.CohortID `json:"cohort"`
	At     time.Time        `json:"at"`
	Who    string           `json:"who"`
}

// RecordCount enters a count. The engine assigns its ID.
type RecordCount struct {
	Count rearing.Count `json:"count"`
}

// UndoCount takes a count back as if it had never been entered.
type UndoCount struct {
	Count rearing.CountID `json:"count"`
	Who   string          `json:"who"`
}

// Kind implements Command.
func (Acknowledge) Kind() string { return "acknowledge" }

// Kind implements Command.
func (Shelve) Kind() string { return "shelve" }

// Kind implements Command.
func (Unshelve) Kind() string { return "unshelve" }

// Kind implements Command.
func (AddCohort) Kind() string { return "add-cohort" }

// Kind implements Command.
func (MoveCohort) Kind() string { return "move-cohort" }

// Kind implements Command.
func (EndCohort) Kind() string { return "end-cohort" }

// Kind implements Command.
func (RecordCount) Kind() string { return "record-count" }

// Kind implements Command.
func (UndoCount) Kind() string { return "undo-count" }
