package simulate

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

func enterOne(ctx context.Context, r *run, e world.Event) begun {
	if r.process == nil {
		return begun{}
	}
	place := r.anyRoom(e).ID
	if r.site.Room(place) == nil {
		return begun{}
	}
	kind := site.Fly
	if e.B%2 == 1 && !r.site.WithoutMoth {
		kind = site.Moth
	}
	at := r.process.engine.Snapshot().Time
	c := &cohort{id: population.CohortID(fmt.Sprintf("cohort-%d", len(r.world.cohorts)+1)), started: at, truly: r.trueTime(), room: place}
	c.places = []population.Placement{{Room: place, From: at}}
	r.world.cohorts = append(r.world.cohorts, c)
	r.do(ctx, fold.AddCohort{Who: "Keeper", Cohort: population.Cohort{
		ID: c.id, Species: kind, Start: at, StartStage: "egg", Individuals: 100, Placements: slices.Clone(c.places),
	}}, func() { c.entered = true })
	return once("somebody enters %s (%s) in %s", c.id, kind, place)
}

// anyCohort is a cohort that is being reared, nil for none.
func (r *run) anyCohort(e world.Event) *cohort {
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

func moveOne(ctx context.Context, r *run, e world.Event) begun {
	c, to := r.anyCohort(e), r.anyRoom(e).ID
	if c == nil || r.site.Room(to) == nil || c.room == to {
		return begun{}
	}
	at := r.process.engine.Snapshot().Time
	r.do(ctx, fold.MoveCohort{Cohort: c.id, Room: to, At: at, Who: "Keeper"}, func() {
		c.places = append(c.places, population.Placement{Room: to, From: at})
		c.room, c.astray = to, false
		r.ref.unsettle()
	})
	r.ref.unsettle()
	// Should the answer never come, nobody knows where it stands.
	if c.room != to {
		c.disturbed, c.astray = true, true
	}
	return once("%s is moved to %s", c.id, to)
}

func endOne(ctx context.Context, r *run, e world.Event) begun {
	c := r.anyCohort(e)
	if c == nil {
		return begun{}
	}
	at := r.process.engine.Snapshot().Time
	c.ended = at
	r.do(ctx, fold.EndCohort{Cohort: c.id, At: at, Who: "Keeper"}, func() {})
	r.ref.unsettle()
	return once("%s is closed", c.id)
}

func countOne(ctx context.Context, r *run, e world.Event) begun {
	c := r.anyCohort(e)
	if c == nil {
		return begun{}
	}
	at := r.process.engine.Snapshot().Time
	r.do(ctx, fold.RecordCount{Count: population.Count{Cohort: c.id, Time: at, Stage: "egg", Seen: 20, Of: 20, Lost: 1, Cause: "mould", By: "Keeper"}}, func() {})
	return once("somebody counts %s", c.id)
}

// anyAlarm is an alarm that is on, false for none.
func (r *run) anyAlarm(e world.Event) (alerts.Key, bool) {
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

func acknowledgeOne(ctx context.Context, r *run, e world.Event) begun {
	key, ok := r.anyAlarm(e)
	if !ok {
		return begun{}
	}
	r.do(ctx, fold.Order{Verb: alerts.Acknowledge, Key: key, Who: "Lead", Incident: true}, func() {})
	return once("somebody acknowledges %s", key)
}

func shelveOne(ctx context.Context, r *run, e world.Event) begun {
	key, ok := r.anyAlarm(e)
	if !ok {
		return begun{}
	}
	r.do(ctx, fold.Order{Verb: alerts.Shelve, Key: key, Who: "Lead", For: time.Duration(1+e.For) * time.Minute, Reason: "known"}, func() {})
	return once("somebody shelves %s for %d min", key, 1+e.For)
}

func calibrateOne(ctx context.Context, r *run, e world.Event) begun {
	if len(r.site.Sensors) == 0 || r.process == nil {
		return begun{}
	}
	one := &r.site.Sensors[e.A%len(r.site.Sensors)]
	if one.Retired || one.Unclaimed {
		return begun{}
	}
	// Small enough that what is true of the sensor stays true.
	offset := 0.2 * (e.X - 0.5)
	at := r.process.engine.Snapshot().Time
	r.do(ctx, fold.Calibrate{Who: "Technician", Certificate: calibration.Certificate{
		Series: sensors.Series{Sensor: one.ID, Quantity: sensors.Temperature}, By: "Technician", At: at, From: at, Due: at.AddDate(1, 0, 0),
		Result: calibration.Result{Quantity: sensors.Temperature, Gain: 1, Offset: offset},
	}}, func() {})
	one.Device.SpoiltUntil = r.now + 30
	r.ref.unsettle()
	return once("%s is calibrated by %+.2f °C", one.ID, offset)
}

func claimOne(ctx context.Context, r *run, _ world.Event) begun {
	i := slices.IndexFunc(r.site.Sensors, func(one site.Sensor) bool { return one.Unclaimed })
	if i < 0 || r.process == nil {
		return begun{}
	}
	one := &r.site.Sensors[i]
	if r.site.Room(one.Room) == nil {
		return begun{}
	}
	one.Unclaimed = false
	f, err := r.site.Parse()
	if err != nil {
		r.breach("configuration", "the configuration with the claimed sensor is refused: %v", err)
		return begun{}
	}
	j := slices.IndexFunc(f.Sensors, func(s facility.Sensor) bool { return s.ID == one.ID })
	r.world.claiming++
	r.do(ctx, fold.ClaimSensor{Sensor: f.Sensors[j], Who: "Technician"}, func() { r.world.claiming-- })
	r.broker.retell()
	one.Device.SpoiltUntil = r.now + 60
	r.ref.devices[one.Device.Index].quiet = 0 // it is waited for from now on
	r.ref.unsettle()
	return once("somebody claims %s for %s", one.ID, one.Room)
}

// edited has the daemon take up the changed file: it is told to read it again,
// or restarted. Touched is the room about which alarms may change by it.
func (r *run) edited(ctx context.Context, e world.Event, touched sensors.RoomID, format string, args ...any) begun {
	r.world.edited = true
	what := "the configuration is changed: " + fmt.Sprintf(format, args...)
	if r.process == nil {
		r.world.before = nil
		r.ref.edited()
		return once("%s", what)
	}
	if e.A/7%2 == 0 {
		r.stop(ctx)
		if before := r.world.before; before != nil {
			r.world.before = before.without(touched)
		}
		r.world.startAt = r.now + e.B%3
		r.ref.edited()
		return once("%s; the daemon is restarted", what)
	}
	if r.upToDate(ctx); r.over() {
		return begun{}
	}
	at, before := r.believed(), markOf(r.process.engine.Snapshot()).without(touched)
	f, err := r.site.Parse()
	if err != nil {
		r.breach("configuration", "%s, and is refused: %v", what, err)
		return begun{}
	}
	r.tell("%s; the daemon reads it again", what)
	r.do(ctx, fold.NewConfigure(f, r.catalogs.Of(r.site), "signal"), func() {})
	if r.over() {
		return begun{}
	}
	r.process.facility = f
	r.broker.retell()
	now := r.process.engine.Snapshot()
	r.compareMarks(before, markOf(now).withEnded(now, at).without(touched))
	r.ref.edited()
	return begun{}
}

func editLimit(ctx context.Context, r *run, e world.Event) begun {
	if len(r.site.Rooms) == 0 {
		return begun{}
	}
	m := &r.site.Rooms[e.A%len(r.site.Rooms)]
	m.HeatC = min(m.HeatC+float64(2+e.B%8), 55)
	return r.edited(ctx, e, m.ID, "the heat limit of %s is now %g °C", m.ID, m.HeatC)
}

func editDelay(ctx context.Context, r *run, e world.Event) begun {
	r.site.OnMinutes = 3 + e.A%10
	return r.edited(ctx, e, everywhere, "too hot is an alarm after %d min", r.site.OnMinutes)
}

func renameRoom(ctx context.Context, r *run, e world.Event) begun {
	if len(r.site.Rooms) == 0 {
		return begun{}
	}
	m := &r.site.Rooms[e.A%len(r.site.Rooms)]
	old := m.ID
	m.ID = old + "x"
	for i := range r.site.Sensors {
		if one := &r.site.Sensors[i]; one.Room == old {
			one.Room = m.ID
		}
	}
	r.world.roomGone(old)
	return r.edited(ctx, e, everywhere, "%s is now called %s", old, m.ID)
}

// roomGone is what follows for the cohorts of a room that is no more.
func (w *affairs) roomGone(id sensors.RoomID) {
	w.sensorGone(id)
	for _, c := range w.cohorts {
		if c.room == id {
			c.room = ""
		}
	}
}

func removeRoom(ctx context.Context, r *run, e world.Event) begun {
	if len(r.site.Rooms) < 2 {
		return begun{}
	}
	i := e.A % len(r.site.Rooms)
	id := r.site.Rooms[i].ID
	r.site.Rooms = slices.Delete(r.site.Rooms, i, i+1)
	r.site.Sensors = slices.DeleteFunc(r.site.Sensors, func(one site.Sensor) bool { return one.Room == id })
	r.world.roomGone(id)
	return r.edited(ctx, e, everywhere, "%s and its sensors are taken out", id)
}

func removeSensor(ctx context.Context, r *run, e world.Event) begun {
	if len(r.site.Sensors) == 0 {
		return begun{}
	}
	i := e.A % len(r.site.Sensors)
	one := r.site.Sensors[i]
	r.site.Sensors = slices.Delete(r.site.Sensors, i, i+1)
	r.world.sensorGone(one.Room)
	return r.edited(ctx, e, one.Room, "%s is taken out", one.ID)
}

// sensorGone is what follows for the cohorts of a room that loses a sensor.
func (w *affairs) sensorGone(id sensors.RoomID) {
	for _, c := range w.cohorts {
		if slices.ContainsFunc(c.places, func(p population.Placement) bool { return p.Room == id }) {
			c.disturbed = true
		}
	}
}

func renameSensor(ctx context.Context, r *run, e world.Event) begun {
	if len(r.site.Sensors) == 0 {
		return begun{}
	}
	one := &r.site.Sensors[e.A%len(r.site.Sensors)]
	old := one.ID
	one.ID = old + "x"
	one.Renamed = append(one.Renamed, r.daemonTime())
	r.ref.devices[one.Device.Index].quiet = 0 // it is waited for anew
	return r.edited(ctx, e, one.Room, "%s is now called %s", old, one.ID)
}

func removeSpecies(ctx context.Context, r *run, e world.Event) begun {
	if r.site.WithoutMoth {
		return begun{}
	}
	r.site.WithoutMoth = true
	for _, c := range r.world.cohorts {
		c.disturbed = true
	}
	return r.edited(ctx, e, everywhere, "the species %s is taken out", site.Moth)
}
