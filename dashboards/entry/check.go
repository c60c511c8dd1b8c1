package entry

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rearguard/alerts"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// check goes through an entry and keeps what is wrong first; what cannot be
// used becomes the zero value.
type check struct {
	s   *snapshot.Snapshot
	err error
}

func (c *check) keep(err error) {
	if c.err == nil {
		c.err = err
	}
}

// must refuses a field for the reason unless ok.
func (c *check) must(ok bool, field, reason string) {
	if !ok {
		c.keep(&FieldError{field, reason})
	}
}

// who cleans the name of the person and refuses an empty one.
func (c *check) who(name string) string {
	return c.needed("who", name, maxName, "enter your name, so that others know who did this")
}

// needed is text that must not be left out.
func (c *check) needed(field, s string, limit int, missing string) string {
	s = c.text(field, s, limit)
	c.must(s != "", field, missing)
	return s
}

// text trims s and refuses control characters and excessive length.
func (c *check) text(field, s string, limit int) string {
	s = strings.TrimSpace(s)
	c.must(utf8.ValidString(s), field, "contains bytes that are not UTF-8 text")
	c.must(utf8.RuneCountInString(s) <= limit, field, fmt.Sprintf("is longer than %d characters; shorten it", limit))
	c.must(!strings.ContainsFunc(s, forbidden), field, "contains control characters; type it again")
	return s
}

func forbidden(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' }

// at fills in the engine's time for an entry without one and refuses times
// that cannot be meant.
func (c *check) at(field string, t time.Time) time.Time {
	if t.IsZero() {
		return c.s.Time
	}
	c.must(!t.After(c.s.Time.Add(clockSlack)), field, "lies in the future; enter when it happened")
	c.must(!t.Before(c.s.Time.Add(-maxBack)), field, "lies more than 400 days back; check the date")
	return t.UTC()
}

// during is the time of something that happened to a cohort.
func (c *check) during(cohort *snapshot.Cohort, t time.Time) time.Time {
	t = c.at("at", t)
	c.must(!t.Before(cohort.Start), "at", "lies before the cohort began")
	return t
}

func (c *check) quantity(name string) sensors.Quantity {
	q, err := sensors.ParseQuantity(strings.TrimSpace(name))
	if err != nil {
		c.keep(&FieldError{"quantity", err.Error()})
	}
	return q
}

func (c *check) alarm(key alerts.Key) {
	if _, err := c.s.Alarm(key); err != nil {
		c.keep(err)
	}
}

func (c *check) cohort(id population.CohortID) *snapshot.Cohort {
	v, err := c.s.Cohort(id)
	if err != nil {
		c.keep(err)
		return &snapshot.Cohort{}
	}
	return v
}

func (c *check) room(id sensors.RoomID) {
	if _, err := c.s.Room(id); err != nil {
		c.keep(&FieldError{"room", err.Error()})
	}
}

// stage refuses a stage that the species does not have.
func (c *check) stage(sp *snapshot.Species, field string, stage species.StageID) {
	for _, st := range sp.Stages {
		if st.ID == stage {
			return
		}
	}
	c.keep(&FieldError{field, fmt.Sprintf("%s has no stage %q; choose one of the list", sp.Name, stage)})
}
