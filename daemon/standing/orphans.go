package standing

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// OrphanKind is what a configuration has lost something of.
type OrphanKind string

// The kinds of orphans.
const (
	OrphanCohort      OrphanKind = "cohort"
	OrphanSensor      OrphanKind = "sensor"
	OrphanBench       OrphanKind = "bench"
	OrphanCalibration OrphanKind = "calibration"
	OrphanAlarm       OrphanKind = "alarm"
	OrphanConstants   OrphanKind = "constants"
)

// Orphan is something in the records that a configuration has no place for.
type Orphan struct {
	Kind OrphanKind `json:"kind"`
	Name string     `json:"name"`
	// Problem says what would become of it, Advice what to do first.
	Problem string `json:"problem"`
	Advice  string `json:"advice"`
	// Living is set when a living cohort would not be watched as it is now.
	Living bool `json:"living"`
	// Line is where the entry should stand: that of the list, 0 without one.
	Line int `json:"line,omitempty"`
}

// comparison is a configuration beside what the records hold.
type comparison struct {
	facility *facility.Facility
	catalog  *species.Catalog
	now      *snapshot.Snapshot
	found    []Orphan
}

// Orphans compares a configuration that is not in force with the records and
// with the state as of the last commit.
func Orphans(ctx context.Context, reader *records.Reader, now *snapshot.Snapshot, f *facility.Facility, catalog *species.Catalog) ([]Orphan, error) {
	cohorts, err := reader.LoadCohorts(ctx)
	if err != nil {
		return nil, err
	}
	counts, err := reader.LoadCounts(ctx)
	if err != nil {
		return nil, err
	}
	c := &comparison{facility: f, catalog: catalog, now: now}
	for i := range cohorts {
		if cohorts[i].Ended.IsZero() {
			c.cohort(&cohorts[i], slices.DeleteFunc(slices.Clone(counts), func(n population.Count) bool { return n.Cohort != cohorts[i].ID }))
		}
	}
	c.sensors()
	c.calibrations()
	c.alarms()
	c.constants()
	return c.found, nil
}

func (c *comparison) add(o Orphan, list string) {
	o.Line = lineOf(c.facility.Text, list)
	c.found = append(c.found, o)
}

// lineOf is the line on which a top key of a text stands, 0 for none.
func lineOf(text, key string) int {
	for i, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(line, key+":") {
			return i + 1
		}
	}
	return 0
}

func (c *comparison) room(id sensors.RoomID) bool {
	return slices.ContainsFunc(c.facility.Rooms, func(r facility.Room) bool { return r.ID == id })
}

func (c *comparison) sensor(id sensors.SensorID) bool {
	return slices.ContainsFunc(c.facility.Sensors, func(s facility.Sensor) bool { return s.ID == id })
}

func (c *comparison) cohort(one *population.Cohort, counts []population.Count) {
	room := one.Placements[len(one.Placements)-1].Room
	watched := func(s facility.Sensor) bool { return s.Room == room && !s.Retired }
	switch {
	case !c.room(room):
		c.add(Orphan{
			Kind: OrphanCohort, Name: string(one.ID), Living: true,
			Problem: fmt.Sprintf("cohort %s stands in room %s, which is gone: nobody would watch it", one.ID, room),
			Advice:  "move the cohort first, or keep the room",
		}, "rooms")
	case !slices.ContainsFunc(c.facility.Sensors, watched):
		c.add(Orphan{
			Kind: OrphanCohort, Name: string(one.ID), Living: true,
			Problem: fmt.Sprintf("cohort %s stands in room %s, which has no sensor: the room would be blind", one.ID, room),
			Advice:  "move the cohort first, or keep a sensor in the room",
		}, "sensors")
	}
	if sp, _ := c.catalog.Species(one.Species); !Fits(sp, one, counts) {
		what := "which is gone"
		if sp != nil {
			what = "which has no longer every stage that its counts name"
		}
		c.add(Orphan{
			Kind: OrphanCohort, Name: string(one.ID), Living: true,
			Problem: fmt.Sprintf("cohort %s is of species %s, %s: it would go on by the constants in force now", one.ID, one.Species, what),
			Advice:  "keep the entry of the species until the cohort is closed",
		}, "species")
	}
}

func (c *comparison) sensors() {
	for i := range c.now.Sensors {
		s := &c.now.Sensors[i]
		if c.sensor(s.ID) {
			continue
		}
		where := "it measured no room"
		if s.Room != "" {
			where = fmt.Sprintf("what it measured in room %s stays that room's past", s.Room)
		}
		c.add(Orphan{
			Kind: OrphanSensor, Name: string(s.ID),
			Problem: fmt.Sprintf("sensor %s is gone and would no longer be listened to; %s", s.ID, where),
			Advice:  "keep its entry with retired: true, so that its history is found",
		}, "sensors")
		if s.Bench != nil {
			c.add(Orphan{
				Kind: OrphanBench, Name: string(s.ID),
				Problem: fmt.Sprintf("sensor %s is on the calibration bench since %s; the points read would be lost", s.ID, s.Bench.Since.Format("2006-01-02 15:04")),
				Advice:  "finish the calibration or leave the bench first",
			}, "sensors")
		}
	}
}

func (c *comparison) calibrations() {
	seen := map[sensors.Series]bool{}
	for i := range c.now.Certificates {
		k := &c.now.Certificates[i]
		series := k.Certificate.Series
		if k.Overruled || seen[series] || c.sensor(series.Sensor) {
			continue
		}
		seen[series] = true
		c.add(Orphan{
			Kind: OrphanCalibration, Name: k.Certificate.Number,
			Problem: fmt.Sprintf("calibration %s is of the %s of sensor %s, which is gone; stored values stay corrected", k.Certificate.Number, series.Quantity, series.Sensor),
			Advice:  "a sensor with another id needs a calibration of its own",
		}, "sensors")
	}
}

func (c *comparison) alarms() {
	for i := range c.now.Alarms {
		a := &c.now.Alarms[i]
		why := ""
		switch {
		case a.Key.Room != "" && !c.room(a.Key.Room):
			why = "its room is gone"
		case a.Key.Subject != "" && slices.ContainsFunc(c.now.Sensors, func(s desk.View) bool { return string(s.ID) == a.Key.Subject }) && !c.sensor(sensors.SensorID(a.Key.Subject)):
			why = "its sensor is gone"
		}
		if why != "" {
			c.add(Orphan{
				Kind: OrphanAlarm, Name: a.Key.String(),
				Problem: fmt.Sprintf("the open alarm %q (%s) would end, since %s", a.Key, a.Title, why),
				Advice:  "see first that nothing is wrong there",
			}, "rooms")
		}
	}
}

func (c *comparison) constants() {
	if c.now.Learning == nil {
		return
	}
	for i := range c.now.Learning.Decisions {
		d := &c.now.Learning.Decisions[i]
		if !d.Adopted || c.now.Learning.Decided(d.Key) != d {
			continue
		}
		problem := ""
		if _, known := c.catalog.Species(d.Species); !known {
			problem = "the species is gone"
		}
		for _, st := range d.Stages {
			if c.catalog.Stated(d.Species, st.Stage) {
				problem = fmt.Sprintf("the file states the constants of %s itself", st.Stage)
			}
		}
		if problem != "" {
			c.add(Orphan{
				Kind: OrphanConstants, Name: fmt.Sprintf("%s %s", d.Species, d.Stage),
				Problem: fmt.Sprintf("constants adopted for %s of %s would not be in force: %s", d.Stage, d.Species, problem),
				Advice:  "see on the page of learning which of them you want",
			}, "species")
		}
	}
}
