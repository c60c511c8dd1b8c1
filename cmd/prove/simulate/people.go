package simulate

import (
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

const enterCohort kindName = "enter cohort"

func enterOne(r *run, e event) begun {
	if r.process == nil {
		return begun{}
	}
	place := r.anyRoom(e).id
	if r.site.room(place) == nil {
		return begun{}
	}
	kind := fly
	if e.B%2 == 1 && !r.site.withoutMoth {
		kind = moth
	}
	at := r.process.engine.Snapshot().Time
	c := &cohort{id: population.CohortID(fmt.Sprintf("cohort-%d", len(r.world.cohorts)+1)), started: at, room: place}
	c.places = []population.Placement{{Room: place, From: at}}
	r.world.cohorts = append(r.world.cohorts, c)
	r.do(fold.AddCohort{Who: "Keeper", Cohort: population.Cohort{
		ID: c.id, Species: kind, Start: at, StartStage: "egg", Individuals: 100, Placements: slices.Clone(c.places),
	}}, func() { c.entered = true })
	return once("somebody enters %s (%s) in %s", c.id, kind, place)
}

// anyCohort is a cohort that is being reared, nil for none.
func (r *run) anyCohort(e event) *cohort {
	var list []*cohort
	for _, c := range r.world.cohorts {
		if c.entered && c.ended.IsZero() {
			list = append(list, c)
		}
	}
	if len(list) == 0 || r.process == nil {
		return nil
	}
	return list[e.B%len(list)]
}

func moveOne(r *run, e event) begun {
	c, to := r.anyCohort(e), r.anyRoom(e).id
	if c == nil || r.site.room(to) == nil || c.room == to {
		return begun{}
	}
	at := r.process.engine.Snapshot().Time
	r.do(fold.MoveCohort{Cohort: c.id, Room: to, At: at, Who: "Keeper"}, func() {
		c.places = append(c.places, population.Placement{Room: to, From: at})
		c.room = to
		r.ref.unsettle()
	})
	r.ref.unsettle()
	// Should the answer never come, nobody knows where it stands.
	if c.room != to {
		c.disturbed = true
	}
	return once("%s is moved to %s", c.id, to)
}

func endOne(r *run, e event) begun {
	c := r.anyCohort(e)
	if c == nil {
		return begun{}
	}
	at := r.process.engine.Snapshot().Time
	c.ended = at
	r.do(fold.EndCohort{Cohort: c.id, At: at, Who: "Keeper"}, func() {})
	r.ref.unsettle()
	return once("%s is closed", c.id)
}

func countOne(r *run, e event) begun {
	c := r.anyCohort(e)
	if c == nil {
		return begun{}
	}
	at := r.process.engine.Snapshot().Time
	r.do(fold.RecordCount{Count: population.Count{Cohort: c.id, Time: at, Stage: "egg", Seen: 20, Of: 20, Lost: 1, Cause: "mould", By: "Keeper"}}, func() {})
	return once("somebody counts %s", c.id)
}

// anyAlarm is an alarm that is on, false for none.
func (r *run) anyAlarm(e event) (alerts.Key, bool) {
	if r.process == nil {
		return alerts.Key{}, false
	}
	var list []alerts.Key
	for _, a := range r.process.engine.Snapshot().Alarms {
		if a.Active && a.State == alerts.Unacknowledged {
			list = append(list, a.Key)
		}
	}
	if len(list) == 0 {
		return alerts.Key{}, false
	}
	return list[e.A%len(list)], true
}

func acknowledgeOne(r *run, e event) begun {
	key, ok := r.anyAlarm(e)
	if !ok {
		return begun{}
	}
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: key, Who: "Lead"}, func() {})
	return once("somebody acknowledges %s", key)
}

func shelveOne(r *run, e event) begun {
	key, ok := r.anyAlarm(e)
	if !ok {
		return begun{}
	}
	r.do(fold.Order{Verb: alerts.Shelve, Key: key, Who: "Lead", For: time.Duration(1+e.For) * time.Minute, Reason: "known"}, func() {})
	return once("somebody shelves %s for %d min", key, 1+e.For)
}

func calibrateOne(r *run, e event) begun {
	if len(r.site.sensors) == 0 || r.process == nil {
		return begun{}
	}
	one := &r.site.sensors[e.A%len(r.site.sensors)]
	if one.retired || one.unclaimed {
		return begun{}
	}
	// Small enough that what is true of the sensor stays true.
	offset := 0.2 * (e.X - 0.5)
	at := r.process.engine.Snapshot().Time
	r.do(fold.Calibrate{Who: "Technician", Certificate: calibration.Certificate{
		Series: sensors.Series{Sensor: one.id, Quantity: sensors.Temperature}, By: "Technician", At: at, From: at, Due: at.AddDate(1, 0, 0),
		Result: calibration.Result{Quantity: sensors.Temperature, Gain: 1, Offset: offset},
	}}, func() {})
	one.device.spoiltUntil = r.now + 30
	r.ref.unsettle()
	return once("%s is calibrated by %+.2f °C", one.id, offset)
}

func claimOne(r *run, e event) begun {
	i := slices.IndexFunc(r.site.sensors, func(one siteSensor) bool { return one.unclaimed })
	if i < 0 || r.process == nil {
		return begun{}
	}
	one := &r.site.sensors[i]
	if r.site.room(one.room) == nil {
		return begun{}
	}
	one.unclaimed = false
	f, err := r.site.parse()
	if err != nil {
		r.breach("configuration", "the configuration with the claimed sensor is refused: %v", err)
		return begun{}
	}
	j := slices.IndexFunc(f.Sensors, func(s facility.Sensor) bool { return s.ID == one.id })
	r.do(fold.ClaimSensor{Sensor: f.Sensors[j], Who: "Technician"}, func() {})
	r.broker.retell()
	one.device.spoiltUntil = r.now + 60
	r.ref.unsettle()
	return once("somebody claims %s for %s", one.id, one.room)
}

// edited has the daemon take up the changed file: it is told to read it again,
// or restarted. Touched is the room about which alarms may change by it.
func (r *run) edited(e event, touched sensors.RoomID, format string, args ...any) begun {
	r.world.edited = true
	what := "the configuration is changed: " + fmt.Sprintf(format, args...)
	if r.process == nil {
		r.world.before = nil
		r.ref.edited()
		return once("%s", what)
	}
	if e.A/7%2 == 0 {
		r.stop()
		if before := r.world.before; before != nil {
			r.world.before = before.without(touched)
		}
		r.world.startAt = r.now + e.B%3
		r.ref.edited()
		return once("%s; the daemon is restarted", what)
	}
	// What is shown may be a minute old.
	if r.tick(); r.over() {
		return begun{}
	}
	before := markOf(r.process.engine.Snapshot()).without(touched)
	f, err := r.site.parse()
	if err != nil {
		r.breach("configuration", "%s, and is refused: %v", what, err)
		return begun{}
	}
	r.tell("%s; the daemon reads it again", what)
	r.do(fold.NewConfigure(f, r.catalogs.of(r.site), "signal"), func() {})
	if r.over() {
		return begun{}
	}
	r.process.facility = f
	r.broker.retell()
	r.compareMarks(before, markOf(r.process.engine.Snapshot()).without(touched))
	r.ref.edited()
	return begun{}
}

func editLimit(r *run, e event) begun {
	if len(r.site.rooms) == 0 {
		return begun{}
	}
	m := &r.site.rooms[e.A%len(r.site.rooms)]
	m.heatC = min(m.heatC+float64(2+e.B%8), 55)
	return r.edited(e, m.id, "the heat limit of %s is now %g °C", m.id, m.heatC)
}

func editDelay(r *run, e event) begun {
	r.site.onMinutes = 3 + e.A%10
	return r.edited(e, everywhere, "too hot is an alarm after %d min", r.site.onMinutes)
}

func renameRoom(r *run, e event) begun {
	if len(r.site.rooms) == 0 {
		return begun{}
	}
	m := &r.site.rooms[e.A%len(r.site.rooms)]
	old := m.id
	m.id = old + "x"
	for i := range r.site.sensors {
		if one := &r.site.sensors[i]; one.room == old {
			one.room = m.id
		}
	}
	r.roomGone(old)
	return r.edited(e, everywhere, "%s is now called %s", old, m.id)
}

// roomGone is what follows for the cohorts of a room that is no more.
func (r *run) roomGone(id sensors.RoomID) {
	for _, c := range r.world.cohorts {
		if slices.ContainsFunc(c.places, func(p population.Placement) bool { return p.Room == id }) {
			c.disturbed = true
		}
		if c.room == id {
			c.room = ""
		}
	}
}

func removeRoom(r *run, e event) begun {
	if len(r.site.rooms) < 2 {
		return begun{}
	}
	i := e.A % len(r.site.rooms)
	id := r.site.rooms[i].id
	r.site.rooms = slices.Delete(r.site.rooms, i, i+1)
	r.site.sensors = slices.DeleteFunc(r.site.sensors, func(one siteSensor) bool { return one.room == id })
	r.roomGone(id)
	return r.edited(e, everywhere, "%s and its sensors are taken out", id)
}

func removeSensor(r *run, e event) begun {
	if len(r.site.sensors) == 0 {
		return begun{}
	}
	i := e.A % len(r.site.sensors)
	one := r.site.sensors[i]
	r.site.sensors = slices.Delete(r.site.sensors, i, i+1)
	r.sensorGone(one.room)
	return r.edited(e, one.room, "%s is taken out", one.id)
}

// sensorGone is what follows for the cohorts of a room that loses a sensor.
func (r *run) sensorGone(id sensors.RoomID) {
	for _, c := range r.world.cohorts {
		if slices.ContainsFunc(c.places, func(p population.Placement) bool { return p.Room == id }) {
			c.disturbed = true
		}
	}
}

func renameSensor(r *run, e event) begun {
	if len(r.site.sensors) == 0 {
		return begun{}
	}
	one := &r.site.sensors[e.A%len(r.site.sensors)]
	old := one.id
	one.id = old + "x"
	r.sensorGone(one.room)
	return r.edited(e, one.room, "%s is now called %s", old, one.id)
}

func removeSpecies(r *run, e event) begun {
	if r.site.withoutMoth {
		return begun{}
	}
	r.site.withoutMoth = true
	for _, c := range r.world.cohorts {
		c.disturbed = true
	}
	return r.edited(e, everywhere, "the species %s is taken out", moth)
}
