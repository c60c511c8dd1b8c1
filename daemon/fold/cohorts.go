package fold

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/course"
	"rearguard/daemon/limits"
	"rearguard/daemon/outlook"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/standing"
	"rearguard/daemon/study"
	"rearguard/sensors"
)

// cohorts are those being reared, and what is known of species.
type cohorts struct {
	*ground
	rooms *rooms
	list  []*cohort
	// used are the names of all cohorts there ever were.
	used      map[population.CohortID]bool
	lastCount population.CountID
	standing.Knowledge
	// asleep are cohorts whose species nobody knows any more.
	asleep []cohortState
	// finished, if set, takes the progress of each cohort that is closed.
	finished func(population.CohortID, *population.Progress)
}

// cohort is one cohort being reared.
type cohort struct {
	*course.Course
	forecast outlook.Cohort
	// still is how long it has not developed.
	still conditions.Standstill
}

func newCohorts(g *ground, rooms *rooms, catalog *species.Catalog) *cohorts {
	return &cohorts{ground: g, rooms: rooms, used: make(map[population.CohortID]bool), Knowledge: standing.NewKnowledge(catalog)}
}

// find returns a cohort being reared.
func (cs *cohorts) find(id population.CohortID) (*cohort, error) {
	for _, c := range cs.list {
		if c.Cohort.ID == id {
			return c, nil
		}
	}
	return nil, fmt.Errorf("there is no cohort %q in rearing", id)
}

// Forecast is the newest forecast of a cohort being reared. It is shared and
// must not be changed.
func (f *Fold) Forecast(id population.CohortID) (*forecast.Forecast, error) {
	c, err := f.cohorts.find(id)
	if err == nil && c.forecast.Forecast == nil {
		err = fmt.Errorf("cohort %s has no forecast", id)
	}
	if err != nil {
		return nil, err
	}
	return c.forecast.Forecast, nil
}

// all yields every cohort being reared with its counts, watched or not.
func (cs *cohorts) all(yield func(*population.Cohort, []population.Count) bool) {
	for _, c := range cs.list {
		if !yield(&c.Cohort, c.Counts) {
			return
		}
	}
	for i := range cs.asleep {
		if !yield(&cs.asleep[i].Cohort, cs.asleep[i].Counts) {
			return
		}
	}
}

// in are the courses of the cohorts in a room at a time.
func (cs *cohorts) in(room sensors.RoomID, at time.Time) []*course.Course {
	var list []*course.Course
	for _, c := range cs.list {
		if stands, ok := c.Cohort.RoomAt(at); ok && stands == room {
			list = append(list, c.Course)
		}
	}
	return list
}

// refreshAir makes new outlooks of the rooms' air when they are due, and sees
// what they mean for the cohorts in them.
func (cs *cohorts) refreshAir(at time.Time) (err error) {
	for _, r := range cs.rooms.list {
		if r.outlook != nil && !cs.forecastDue(at) {
			continue
		}
		r.outlook, err = outlook.Expect(r.config, &r.track.Curve, cs.in(r.config.ID, at), at, cs.facility.Site.Location, cs.logger)
		if err != nil {
			return err
		}
	}
	return nil
}

// refreshLimits brings live progress, forecasts and the limits of every room
// up to date.
func (f *Fold) refreshLimits(at time.Time) error {
	if err := f.cohorts.refreshAir(at); err != nil {
		return err
	}
	sets := make(map[sensors.RoomID]*limits.Set, len(f.rooms.list))
	for _, c := range f.cohorts.list {
		if err := c.GoLive(f.rooms.track); err != nil {
			return err
		}
		f.cohorts.refreshForecast(c, at)
		room, ok := c.Cohort.RoomAt(at)
		if !ok || f.rooms.by[room] == nil {
			continue
		}
		set := sets[room]
		if set == nil {
			set = &limits.Set{}
			sets[room] = set
		}
		set.Take(c.Cohort.ID, c.Species, c.Live(), c.forecast.Forecast, at)
	}
	for _, r := range f.rooms.list {
		r.limits = limits.Set{}
		if set := sets[r.config.ID]; set != nil {
			set.Close(f.facility.Limits, r.config.Limits)
			r.limits = *set
		}
	}
	return nil
}

// refreshForecast makes a new forecast when the last one is due for it.
func (cs *cohorts) refreshForecast(c *cohort, at time.Time) {
	if !c.forecast.At.IsZero() && !cs.forecastDue(at) {
		return
	}
	room, ok := c.Cohort.RoomAt(at)
	if !ok {
		return
	}
	c.forecast = outlook.Cohort{At: at}
	r := cs.rooms.by[room]
	if r == nil || r.outlook == nil {
		return
	}
	var err error
	if c.forecast, err = r.outlook.Of(c.Live(), cs.clock, cs.facility.Site.Location); err != nil {
		cs.logger.Debug("no forecast", slog.String("cohort", string(c.Cohort.ID)), slog.Any("error", err))
	}
	c.forecast.At = at
}

// LearningName names the blob of the records that holds what was learned, for
// those who read it there.
const LearningName = "learning"

// keepLearning puts what was learned into the next commit.
func (cs *cohorts) keepLearning(l *study.Learning) error {
	body, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("what was learned: %w", err)
	}
	cs.Learning = l
	cs.out.batch.KeepState(LearningName, body)
	return nil
}

// remove takes a cohort out of those being reared.
func (cs *cohorts) remove(c *cohort) {
	if cs.finished != nil {
		cs.finished(c.Cohort.ID, c.Live())
	}
	cs.list = slices.DeleteFunc(cs.list, func(o *cohort) bool { return o == c })
}
