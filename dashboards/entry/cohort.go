package entry

import (
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// NewCohort is a cohort as a person enters it.
type NewCohort struct {
	ID          population.CohortID
	Species     species.ID
	Room        sensors.RoomID
	StartStage  species.StageID
	Individuals int
	// Start is when the cohort entered StartStage; zero means now.
	Start time.Time
	Note  string
}

// AddCohort enters a cohort.
func AddCohort(s *snapshot.Snapshot, n NewCohort, who string) (fold.AddCohort, error) {
	c := check{s: s}
	who = c.who(who)
	c.must(cohortName.MatchString(string(n.ID)), "id", "use 1 to 40 lower-case letters, digits, dots, dashes and underscores, starting with a letter or digit")
	_, unknown := s.Cohort(n.ID)
	c.must(unknown != nil, "id", "is taken by another cohort; choose another")
	if sp, err := s.SpeciesOf(n.Species); err != nil {
		c.keep(&FieldError{"species", err.Error()})
	} else {
		if n.StartStage == "" && len(sp.Stages) > 0 {
			n.StartStage = sp.Stages[0].ID
		}
		c.stage(sp, "start_stage", n.StartStage)
	}
	c.room(n.Room)
	c.must(n.Individuals >= 1 && n.Individuals <= maxCount, "individuals", fmt.Sprintf("enter how many animals, 1 to %d", maxCount))
	start := c.at("start", n.Start)
	cmd := fold.AddCohort{Who: who, Cohort: population.Cohort{
		ID: n.ID, Species: n.Species, Start: start, StartStage: n.StartStage,
		Individuals: n.Individuals, Note: c.text("note", n.Note, maxText),
		Placements: []population.Placement{{Room: n.Room, From: start}},
	}}
	return cmd, c.err
}

// MoveCohort moves a cohort; a zero when means now.
func MoveCohort(s *snapshot.Snapshot, id population.CohortID, room sensors.RoomID, when time.Time, who string) (fold.MoveCohort, error) {
	c := check{s: s}
	cohort := c.cohort(id)
	cmd := fold.MoveCohort{Cohort: id, Room: room, Who: c.who(who)}
	c.room(room)
	c.must(room != cohort.Room, "room", "the cohort stands in this room already; choose another")
	cmd.At = c.during(cohort, when)
	return cmd, c.err
}

// EndCohort closes a cohort; a zero when means now.
func EndCohort(s *snapshot.Snapshot, id population.CohortID, when time.Time, who string) (fold.EndCohort, error) {
	c := check{s: s}
	cohort := c.cohort(id)
	cmd := fold.EndCohort{Cohort: id, Who: c.who(who), At: c.during(cohort, when)}
	return cmd, c.err
}

// RecordCount enters a count. The engine gives it its number.
func RecordCount(s *snapshot.Snapshot, n population.Count) (fold.RecordCount, error) {
	c := check{s: s}
	cohort := c.cohort(n.Cohort)
	n.By = c.who(n.By)
	if sp, err := s.SpeciesOf(cohort.Species); err != nil {
		c.keep(err)
	} else {
		c.stage(sp, "stage", n.Stage)
	}
	n.Cause, n.Note = c.text("cause", n.Cause, maxName), c.text("note", n.Note, maxText)
	c.numbers(n)
	n.Time = c.during(cohort, n.Time)
	n.ID, n.Undone = 0, false
	return fold.RecordCount{Count: n}, c.err
}

// numbers checks what was counted against itself.
func (c *check) numbers(n population.Count) {
	for _, v := range []struct {
		field string
		value int
	}{{"seen", n.Seen}, {"of", n.Of}, {"lost", n.Lost}} {
		c.must(v.value >= 0 && v.value <= maxCount, v.field, fmt.Sprintf("enter a whole number from 0 to %d", maxCount))
	}
	c.must(n.LengthMM >= 0 && n.LengthMM <= maxLengthMM, "length", fmt.Sprintf("enter a body length in millimetres, up to %d", maxLengthMM))
	c.must(n.Of <= 0 || n.Seen <= n.Of, "of", "fewer animals looked at than seen in the stage; check both numbers")
	c.must(n.Seen != 0 || n.Of != 0 || n.Lost != 0, "seen", "enter how many you saw, how many you looked at, or how many were lost")
}

// UndoCount takes back a count of the cohort.
func UndoCount(s *snapshot.Snapshot, id population.CohortID, count population.CountID, who string) (fold.UndoCount, error) {
	c := check{s: s}
	cohort := c.cohort(id)
	cmd := fold.UndoCount{Count: count, Who: c.who(who)}
	if !slices.ContainsFunc(cohort.Counts, func(n population.Count) bool { return n.ID == count && !n.Undone }) {
		c.keep(fmt.Errorf("count %d of cohort %q is %w or taken back already", count, id, snapshot.ErrUnknown))
	}
	return cmd, c.err
}
