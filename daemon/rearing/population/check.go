package population

import (
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// Check says what is impossible about a count of a cohort of a species.
func (n *Count) Check(c *Cohort, sp *species.Species) error {
	switch _, known := sp.StageIndex(n.Stage); {
	case !known:
		return fmt.Errorf("%s has no stage %q", sp.CommonName, n.Stage)
	case n.By == "":
		return errors.New("a count needs the name of who counted")
	case n.Seen < 0 || n.Of < 0 || n.Lost < 0:
		return errors.New("a count cannot be negative")
	case n.Of > 0 && n.Seen > n.Of:
		return fmt.Errorf("%d seen of %d looked at is not possible", n.Seen, n.Of)
	case n.Time.Before(c.Start):
		return fmt.Errorf("the count is before the cohort started (%s)", stamp(c.Start))
	}
	return nil
}

// Check says what is impossible about a cohort that is entered at a time.
func (c *Cohort) Check(now time.Time) error {
	switch {
	case c.ID == "":
		return errors.New("a cohort needs a name")
	case c.Individuals < 1:
		return fmt.Errorf("cohort %s has %d animals; at least 1 is needed", c.ID, c.Individuals)
	case len(c.Placements) == 0:
		return fmt.Errorf("cohort %s stands in no room", c.ID)
	case c.Start.After(now):
		return fmt.Errorf("cohort %s starts in the future (%s)", c.ID, stamp(c.Start))
	}
	return nil
}

// CheckMove says why the cohort cannot be moved to a room at a time.
func (c *Cohort) CheckMove(to sensors.RoomID, at time.Time) error {
	last := c.Placements[len(c.Placements)-1]
	switch {
	case !at.After(last.From):
		return fmt.Errorf("cohort %s moved to %s at %s; a move before that cannot be entered", c.ID, last.Room, stamp(last.From))
	case last.Room == to:
		return fmt.Errorf("cohort %s is in %s already", c.ID, to)
	}
	return nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }
