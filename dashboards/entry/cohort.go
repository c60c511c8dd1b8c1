package entry

import (
	"fmt"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// NewCohort is a cohort as a person enters it.
type NewCohort struct {
	ID          rearing.CohortID
	Species     rearing.SpeciesID
	Room        sensors.RoomID
	StartStage  rearing.StageID
	Individuals int
	// Start is when the cohort entered StartStage; zero means now.
	Start time.Time
	Note  string
}

// AddCohort enters a cohort.
func AddCohort(s *daemon.Snapshot, n NewCohort, who string) (daemon.AddCohort, error) {
	var none daemon.AddCohort
	who, err := Who(who)
	if err != nil {
		return none, err
	}
	if !cohortName.MatchString(string(n.ID)) {
		return none, &FieldError{"id", "use 1 to 40 lower-case letters, digits, dots, dashes and underscores, starting with a letter or digit"}
	}
	if _, err := FindCohort(s, n.ID); err == nil {
		return none, &FieldError{"id", "is taken by another cohort; choose another"}
	}
	species, err := FindSpecies(s, n.Species)
	if err != nil {
		return none, &FieldError{"species", err.Error()}
	}
	if n.StartStage == "" && len(species.Stages) > 0 {
		n.StartStage = species.Stages[0].ID
	}
	if err := stageOf(species, "start_stage", n.StartStage); err != nil {
		return none, err
	}
	if _, err := FindRoom(s, n.Room); err != nil {
		return none, &FieldError{"room", err.Error()}
	}
	if n.Individuals < 1 || n.Individuals > maxCount {
		return none, &FieldError{"individuals", fmt.Sprintf("enter how many animals, 1 to %d", maxCount)}
	}
	start, err := at(s, "start", n.Start)
	if err != nil {
		return none, err
	}
	note, err := text("note", n.Note, maxText)
	if err != nil {
		return none, err
	}
	return daemon.AddCohort{Who: who, Cohort: rearing.Cohort{
		ID: n.ID, Species: n.Species, Start: start, StartStage: n.StartStage,
		Individuals: n.Individuals, Note: note,
		Placements: []rearing.Placement{{Room: n.Room, From: start}},
	}}, nil
}

// MoveCohort moves a cohort; a zero when means now.
func MoveCohort(s *daemon.Snapshot, id rearing.CohortID, room sensors.RoomID, when time.Time, who string) (daemon.MoveCohort, error) {
	var none daemon.MoveCohort
	c, err := FindCohort(s, id)
	if err != nil {
		return none, err
	}
	if who, err = Who(who); err != nil {
		return none, err
	}
	if _, err := FindRoom(s, room); err != nil {
		return none, &FieldError{"room", err.Error()}
	}
	if room == c.Room {
		return none, &FieldError{"room", "the cohort stands in this room already; choose another"}
	}
	when, err = at(s, "at", when)
	if err != nil {
		return none, err
	}
	if when.Before(c.Start) {
		return none, &FieldError{"at", "lies before the cohort began"}
	}
	return daemon.MoveCohort{Cohort: id, Room: room, At: when, Who: who}, nil
}

// EndCohort closes a cohort; a zero when means now.
func EndCohort(s *daemon.Snapshot, id rearing.CohortID, when time.Time, who string) (daemon.EndCohort, error) {
	var none daemon.EndCohort
	c, err := FindCohort(s, id)
	if err != nil {
		return none, err
	}
	if who, err = Who(who); err != nil {
		return none, err
	}
	when, err = at(s, "at", when)
	if err != nil {
		return none, err
	}
	if when.Before(c.Start) {
		return none, &FieldError{"at", "lies before the cohort began"}
	}
	return daemon.EndCohort{Cohort: id, At: when, Who: who}, nil
}

// RecordCount enters a count. The engine gives it its number.
func RecordCount(s *daemon.Snapshot, n rearing.Count) (daemon.RecordCount, error) {
	var none daemon.RecordCount
	c, err := FindCohort(s, n.Cohort)
	if err != nil {
		return none, err
	}
	if n.By, err = Who(n.By); err != nil {
		return none, err
	}
	species, err := FindSpecies(s, c.Species)
	if err != nil {
		return none, err
	}
	if err := stageOf(species, "stage", n.Stage); err != nil {
		return none, err
	}
	if n.Cause, err = text("cause", n.Cause, maxName); err != nil {
		return none, err
	}
	if n.Note, err = text("note", n.Note, maxText); err != nil {
		return none, err
	}
	if err := numbers(n); err != nil {
		return none, err
	}
	if n.Time, err = at(s, "at", n.Time); err != nil {
		return none, err
	}
	if n.Time.Before(c.Start) {
		return none, &FieldError{"at", "lies before the cohort began"}
	}
	n.ID, n.Undone = 0, false
	return daemon.RecordCount{Count: n}, nil
}

// numbers checks what was counted against itself.
func numbers(n rearing.Count) error {
	for _, v := range []struct {
		field string
		value int
	}{{"seen", n.Seen}, {"of", n.Of}, {"lost", n.Lost}} {
		if v.value < 0 || v.value > maxCount {
			return &FieldError{v.field, fmt.Sprintf("enter a whole number from 0 to %d", maxCount)}
		}
	}
	if !(n.LengthMM >= 0 && n.LengthMM <= maxLengthMM) {
		return &FieldError{"length", fmt.Sprintf("enter a body length in millimetres, up to %d", maxLengthMM)}
	}
	if n.Of > 0 && n.Seen > n.Of {
		return &FieldError{"of", "fewer animals looked at than seen in the stage; check both numbers"}
	}
	if n.Seen == 0 && n.Of == 0 && n.Lost == 0 {
		return &FieldError{"seen", "enter how many you saw, how many you looked at, or how many were lost"}
	}
	return nil
}

// UndoCount takes back a count of the cohort.
func UndoCount(s *daemon.Snapshot, id rearing.CohortID, count rearing.CountID, who string) (daemon.UndoCount, error) {
	var none daemon.UndoCount
	c, err := FindCohort(s, id)
	if err != nil {
		return none, err
	}
	if who, err = Who(who); err != nil {
		return none, err
	}
	for _, n := range c.Counts {
		if n.ID == count && !n.Undone {
			return daemon.UndoCount{Count: count, Who: who}, nil
		}
	}
	return none, fmt.Errorf("count %d of cohort %q is %w or taken back already", count, id, ErrUnknown)
}

// stageOf refuses a stage that the species does not have.
func stageOf(species *daemon.SpeciesView, field string, stage rearing.StageID) error {
	for _, st := range species.Stages {
		if st.ID == stage {
			return nil
		}
	}
	return &FieldError{field, fmt.Sprintf("%s has no stage %q; choose one of the list", species.Name, stage)}
}
