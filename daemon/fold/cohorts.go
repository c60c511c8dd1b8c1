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
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
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
	// starting are the species as the library and the configuration have them;
	// catalog has what people adopted laid over them.
	starting, catalog *species.Catalog
	species           []snapshot.Species
	learning          *study.Learning
	// lost are the species that the configuration has lost, as cohorts go by
	// them; asleep are cohorts whose species nobody knows any more.
	lost   map[species.ID]*species.Species
	asleep []cohortState
	// finished, if set, takes the progress of each cohort that is closed.
	finished func(population.CohortID, *population.Progress)
}

// cohort is one cohort being reared.
type cohort struct {
	*course.Course
	forecast cohortForecast
	// still is how long it has not developed.
	still conditions.Standstill
}

// cohortForecast is the newest forecast of a cohort.
type cohortForecast struct {
	at       time.Time
	forecast *forecast.Forecast
	// daily are the animals expected to pass each event on the days shown.
	daily, week []forecast.DayNumbers
}

func newCohorts(g *ground, rooms *rooms, catalog *species.Catalog) *cohorts {
	cs := &cohorts{ground: g, rooms: rooms, used: make(map[population.CohortID]bool), starting: catalog, learning: &study.Learning{}}
	cs.use(catalog)
	return cs
}

// use makes a catalog the one in force.
func (cs *cohorts) use(catalog *species.Catalog) {
	cs.catalog, cs.species = catalog, snapshot.SpeciesIn(catalog)
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

// speciesOf is the species that a cohort goes by: that of the configuration, or
// where it has lost it, the one that was in force last. It is nil for neither.
func (cs *cohorts) speciesOf(c cohortState) *species.Species {
	if sp, ok := cs.catalog.Species(c.Cohort.Species); ok && standing.Fits(sp, &c.Cohort, c.Counts) {
		return sp
	}
	return cs.lost[c.Cohort.Species]
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
		set.Take(c.Cohort.ID, c.Species, c.Live(), c.forecast.forecast, at)
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
	if !c.forecast.at.IsZero() && !cs.forecastDue(at) {
		return
	}
	room, ok := c.Cohort.RoomAt(at)
	if !ok {
		return
	}
	next, err := cs.makeForecast(c, room)
	if err != nil {
		cs.logger.Debug("no forecast", slog.String("cohort", string(c.Cohort.ID)), slog.Any("error", err))
	}
	next.at = at
	c.forecast = next
}

// weekDays is how many days "this week" is, today included.
const weekDays = 7

func (cs *cohorts) makeForecast(c *cohort, id sensors.RoomID) (next cohortForecast, err error) {
	r := cs.rooms.by[id]
	if r == nil {
		return next, fmt.Errorf("there is no room %q", id)
	}
	if r.outlook == nil {
		return next, fmt.Errorf("room %q has had no reading yet", id)
	}
	long, week := r.outlook.long, r.outlook.week
	if from := c.Live().Time(); from.Before(long.From()) {
		// The cohort's air ends earlier, for example in a blind room.
		if long, week, err = r.outlook.view.Play(from, cs.clock.Sub(from)+dailyHorizon); err != nil {
			return next, err
		}
	}
	if next.forecast, err = forecast.Make(c.Live(), long); err != nil {
		return next, err
	}
	days, sevenDays := cs.daysShown(c.Live().Time())
	numbers, err := forecast.NumbersIn(c.Live(), week, days, sevenDays)
	if err != nil {
		return next, err
	}
	next.daily, next.week = numbers[0], numbers[1]
	return next, nil
}

// daysShown are the bounds of the days for which animals are counted, and of
// the week.
func (cs *cohorts) daysShown(from time.Time) (days, week []time.Time) {
	zone := cs.facility.Site.Location
	y, m, d := cs.clock.In(zone).Date()
	for i := range weekDays + 2 {
		days = append(days, time.Date(y, m, d+i, 0, 0, 0, 0, zone))
	}
	return days, []time.Time{from, days[weekDays]}
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
	cs.learning = l
	cs.out.keepState(LearningName, body)
	return nil
}

// remove takes a cohort out of those being reared.
func (cs *cohorts) remove(c *cohort) {
	if cs.finished != nil {
		cs.finished(c.Cohort.ID, c.Live())
	}
	cs.list = slices.DeleteFunc(cs.list, func(o *cohort) bool { return o == c })
}
