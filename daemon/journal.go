package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
)

// ErrRefused is wrapped by every command that cannot be carried out as given.
var ErrRefused = errors.New("refused")

func refuse(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrRefused, fmt.Sprintf(format, args...))
}

// linkEvent is a change of the broker link, kept in the journal like a
// command, since alarms depend on it.
type linkEvent struct {
	Link LinkView `json:"link"`
}

// Kind implements Command.
func (linkEvent) Kind() string { return "link" }

// resumeEvent says that the daemon began to listen, at the start or after it
// had been stopped: silence before it is nobody's fault.
type resumeEvent struct {
	At time.Time `json:"at"`
	// From is how far the clock had come before: what time alone brought about
	// up to then belongs to the past, also when it is replayed.
	From time.Time `json:"from,omitzero"`
}

// Kind implements Command.
func (resumeEvent) Kind() string { return "resume" }

// journal carries out an event and puts it into the next commit. A refused
// one leaves no trace.
func (c *core) journal(event Command) error {
	arrival := c.clock.Add(time.Millisecond)
	if resume, ok := event.(resumeEvent); ok {
		arrival = later(arrival, resume.At)
	}
	body, err := json.Marshal(event)
	if err != nil {
		return refuse("%v", err)
	}
	if err := c.apply(event, arrival); err != nil {
		return err
	}
	c.out.Journal = append(c.out.Journal, records.JournalEntry{
		Arrival: arrival, Kind: event.Kind(), Who: who(event), Body: body,
	})
	return nil
}

// eventOf reads an event back from the journal.
func eventOf(e records.JournalEntry) (Command, error) {
	var err error
	read := func(event any) {
		if err = json.Unmarshal(e.Body, event); err != nil {
			err = fmt.Errorf("journal entry %d (%s): %w", e.Seq, e.Kind, err)
		}
	}
	switch e.Kind {
	case linkEvent{}.Kind():
		var v linkEvent
		read(&v)
		return v, err
	case resumeEvent{}.Kind():
		var v resumeEvent
		read(&v)
		return v, err
	case Acknowledge{}.Kind():
		var v Acknowledge
		read(&v)
		return v, err
	case Shelve{}.Kind():
		var v Shelve
		read(&v)
		return v, err
	case Unshelve{}.Kind():
		var v Unshelve
		read(&v)
		return v, err
	case houseEvent{}.Kind():
		var v houseEvent
		read(&v)
		return v, err
	case limitsEvent{}.Kind():
		var v limitsEvent
		read(&v)
		return v, err
	case Suppress{}.Kind():
		var v Suppress
		read(&v)
		return v, err
	case Unsuppress{}.Kind():
		var v Unsuppress
		read(&v)
		return v, err
	case OutOfService{}.Kind():
		var v OutOfService
		read(&v)
		return v, err
	case ReturnToService{}.Kind():
		var v ReturnToService
		read(&v)
		return v, err
	case Reset{}.Kind():
		var v Reset
		read(&v)
		return v, err
	case AddCohort{}.Kind():
		var v AddCohort
		read(&v)
		return v, err
	case MoveCohort{}.Kind():
		var v MoveCohort
		read(&v)
		return v, err
	case EndCohort{}.Kind():
		var v EndCohort
		read(&v)
		return v, err
	case RecordCount{}.Kind():
		var v RecordCount
		read(&v)
		return v, err
	case UndoCount{}.Kind():
		var v UndoCount
		read(&v)
		return v, err
	case AdoptConstants{}.Kind():
		var v AdoptConstants
		read(&v)
		return v, err
	case RefuseConstants{}.Kind():
		var v RefuseConstants
		read(&v)
		return v, err
	}
	if v := sensorEventOf(e.Kind, read); v != nil || err != nil {
		return v, err
	}
	return nil, fmt.Errorf("journal entry %d has the unknown kind %q; was it written by a newer version?", e.Seq, e.Kind)
}

// who is the person behind an event, for the audit.
func who(event Command) string {
	switch v := event.(type) {
	case Acknowledge:
		return v.Who
	case Shelve:
		return v.Who
	case Unshelve:
		return v.Who
	case Suppress:
		return v.By
	case Unsuppress:
		return v.Who
	case OutOfService:
		return v.Who
	case ReturnToService:
		return v.Who
	case Reset:
		return v.Who
	case limitsEvent:
		return "configuration"
	case AddCohort:
		return v.Who
	case MoveCohort:
		return v.Who
	case EndCohort:
		return v.Who
	case RecordCount:
		return v.Count.By
	case UndoCount:
		return v.Who
	case AdoptConstants:
		return v.Who
	case RefuseConstants:
		return v.Who
	}
	return whoOfSensors(event)
}

// apply carries out an event at its arrival; live, restart and replay all
// come through here.
func (c *core) apply(event Command, arrival time.Time) error {
	if resume, ok := event.(resumeEvent); ok {
		if err := c.advanceTo(resume.From); err != nil {
			return err
		}
		// Nobody was watching, so the instants in between are left out.
		c.resumed, c.clock = arrival, arrival
		c.nextTick = arrival.Truncate(c.watch.grid).Add(c.watch.grid)
	}
	if err := c.advanceTo(arrival); err != nil {
		return err
	}
	if err, done := c.alarmCommand(event, arrival); done {
		return err
	}
	switch v := event.(type) {
	case linkEvent:
		c.link = v.Link
		return c.watchFacility()
	case resumeEvent:
		c.link = LinkView{}
		return nil
	case houseEvent:
		c.watch.house = v
		return c.watchFacility()
	case limitsEvent:
		c.limitsChanged(v)
		return nil
	case AddCohort:
		return c.addCohort(v.Cohort)
	case MoveCohort:
		return c.moveCohort(v)
	case EndCohort:
		return c.endCohort(v)
	case RecordCount:
		return c.recordCount(v.Count)
	case UndoCount:
		return c.undoCount(v.Count)
	case AdoptConstants:
		return c.adoptConstants(v, arrival)
	case RefuseConstants:
		return c.refuseConstants(v, arrival)
	}
	if known, err := c.applyToSensors(event, arrival); known {
		return err
	}
	return fmt.Errorf("no way to carry out a %T", event)
}

func refused(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w: %w", ErrRefused, err)
}

func (c *core) cohort(id rearing.CohortID) (*cohortState, error) {
	for _, s := range c.cohorts {
		if s.cohort.ID == id {
			return s, nil
		}
	}
	return nil, refuse("there is no cohort %q in rearing", id)
}

func (c *core) addCohort(cohort rearing.Cohort) error {
	switch {
	case cohort.ID == "":
		return refuse("a cohort needs a name")
	case cohort.Individuals < 1:
		return refuse("cohort %s has %d animals; at least 1 is needed", cohort.ID, cohort.Individuals)
	case len(cohort.Placements) == 0:
		return refuse("cohort %s stands in no room", cohort.ID)
	case cohort.Start.After(c.clock):
		return refuse("cohort %s starts in the future (%s)", cohort.ID, stamp(cohort.Start))
	case c.usedIDs[cohort.ID]:
		return refuse("there is or was a cohort %q already; give this one another name", cohort.ID)
	}
	for _, p := range cohort.Placements {
		if c.roomBy[p.Room] == nil {
			return refuse("there is no room %q", p.Room)
		}
	}
	species, ok := c.catalog.Species(cohort.Species)
	if !ok {
		return refuse("there is no species %q; rearguard species lists them", cohort.Species)
	}
	s, err := newCohortState(cohort, species)
	if err != nil {
		return refused(err)
	}
	s.redoFrom(cohort.Start)
	c.cohorts = append(c.cohorts, s)
	c.usedIDs[cohort.ID] = true
	return c.cohortChanged(s)
}

// cohortChanged stores a cohort and brings its progress up to date at once.
func (c *core) cohortChanged(s *cohortState) error {
	c.out.Cohorts = append(c.out.Cohorts, s.cohort)
	if err := c.redoCohorts(c.settledTo); err != nil {
		return err
	}
	if err := c.goLive(s); err != nil {
		return err
	}
	s.forecast = cohortForecast{}
	return c.refreshLimits(c.clock)
}

func (c *core) moveCohort(m MoveCohort) error {
	s, err := c.cohort(m.Cohort)
	if err != nil {
		return err
	}
	if c.roomBy[m.Room] == nil {
		return refuse("there is no room %q", m.Room)
	}
	placements := s.cohort.Placements
	last := placements[len(placements)-1]
	switch {
	case m.At.After(c.clock.Add(c.facility.Ingest.FutureTolerance)):
		return refuse("the move is in the future (%s)", stamp(m.At))
	case !m.At.After(last.From):
		return refuse("cohort %s moved to %s at %s; a move before that cannot be entered", m.Cohort, last.Room, stamp(last.From))
	case last.Room == m.Room:
		return refuse("cohort %s is in %s already", m.Cohort, m.Room)
	}
	s.cohort.Placements = append(slices.Clone(placements), rearing.Placement{Room: m.Room, From: m.At})
	c.moveInjury(m.Cohort, last.Room, m.Room)
	s.redoFrom(m.At)
	return c.cohortChanged(s)
}

func (c *core) endCohort(end EndCohort) error {
	s, err := c.cohort(end.Cohort)
	if err != nil {
		return err
	}
	switch {
	case !end.At.After(s.cohort.Start):
		return refuse("cohort %s cannot end before it started (%s)", end.Cohort, stamp(s.cohort.Start))
	case end.At.After(c.clock.Add(c.facility.Ingest.FutureTolerance)):
		return refuse("the end is in the future (%s)", stamp(end.At))
	}
	s.cohort.Ended = end.At
	s.redoFrom(end.At)
	if err := c.cohortChanged(s); err != nil {
		return err
	}
	if err := c.learnFrom(s); err != nil {
		return err
	}
	c.cohorts = slices.DeleteFunc(c.cohorts, func(o *cohortState) bool { return o == s })
	return c.refreshLimits(c.clock)
}

func (c *core) recordCount(count rearing.Count) error {
	s, err := c.cohort(count.Cohort)
	if err != nil {
		return err
	}
	switch _, known := s.species.StageIndex(count.Stage); {
	case !known:
		return refuse("%s has no stage %q", s.species.CommonName, count.Stage)
	case count.By == "":
		return refuse("a count needs the name of who counted")
	case count.Seen < 0 || count.Of < 0 || count.Lost < 0:
		return refuse("a count cannot be negative")
	case count.Of > 0 && count.Seen > count.Of:
		return refuse("%d seen of %d looked at is not possible", count.Seen, count.Of)
	case count.Time.Before(s.cohort.Start):
		return refuse("the count is before the cohort started (%s)", stamp(s.cohort.Start))
	case count.Time.After(c.clock.Add(c.facility.Ingest.FutureTolerance)):
		return refuse("the count is in the future (%s)", stamp(count.Time))
	}
	c.lastCount++
	count.ID = c.lastCount
	at, _ := slices.BinarySearchFunc(s.counts, count, rearing.CompareCounts)
	s.counts = slices.Insert(slices.Clone(s.counts), at, count)
	s.redoFrom(count.Time)
	c.out.Counts = append(c.out.Counts, count)
	return c.cohortChanged(s)
}

func (c *core) undoCount(id rearing.CountID) error {
	for _, s := range c.cohorts {
		for i := range s.counts {
			if s.counts[i].ID != id {
				continue
			}
			if s.counts[i].Undone {
				return refuse("count %d was taken back already", id)
			}
			s.counts = slices.Clone(s.counts)
			s.counts[i].Undone = true
			s.redoFrom(s.counts[i].Time)
			c.out.Counts = append(c.out.Counts, s.counts[i])
			return c.cohortChanged(s)
		}
	}
	return refuse("there is no count %d of a cohort in rearing", id)
}
