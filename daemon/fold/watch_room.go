package fold

import (
	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/roomair"
	"rearguard/sensors/desk"
)

// room evaluates every condition of a room at an instant of the grid.
func (w *watch) room(r *room, outdoorC *float64) error {
	now := roomair.AirOf(r.sensors.Sensors, w.clock)
	r.noteBlind(now.TemperatureC == nil, w.clock)
	in := w.roomCondition(r, &now)
	in.OutdoorC = outdoorC
	found, memory := w.alarms.Rules.Room(&in, r.memory)
	r.memory = memory
	r.sign = conditions.SignOf(&in, &r.memory)
	return w.alarms.Observe(found...)
}

// roomOf evaluates the room of a sensor whose part in its air has
// changed.
func (w *watch) roomOf(s *desk.Sensor) error {
	r := w.rooms.by[s.Config().Room]
	if r == nil {
		return nil
	}
	return w.room(r, w.desk.OutdoorC(w.clock))
}

func roomKey(c alerts.Condition, r *room) alerts.Key {
	return alerts.Key{Condition: c, Room: r.config.ID}
}

// levels evaluates heat and cold at the moment a reading comes in, so
// that delays run from the crossing and not from the next instant of the
// grid. Nothing is done for a room that is well.
func (w *watch) levels(r *room) error {
	limits := &r.limits.Conditions
	if limits.Heat == nil && limits.Chill == nil {
		return nil
	}
	warmest, coldest := roomair.ExtremesOf(r.sensors.Sensors, w.clock)
	if warmest == nil {
		return nil
	}
	in := conditions.RoomState{
		Room: r.config.ID, Name: r.config.Name, Now: w.clock, Location: w.facility.Site.Location,
		Warmest: warmest, Coldest: coldest, Limits: *limits,
	}
	if r.memory.Rests(conditions.Heat) || r.memory.Rests(conditions.Chill) {
		in.Sensors = roomair.SensorsOf(r.sensors.Sensors, w.clock, w.resumed, false)
	}
	if limits.Heat != nil && (warmest.Value > limits.Heat.Value || w.alarms.Tracks(roomKey(conditions.Heat, r))) {
		if err := w.alarms.Observe(w.alarms.Rules.Level(conditions.Heat, &in, &r.memory)); err != nil {
			return err
		}
	}
	if limits.Chill != nil && (coldest.Value < limits.Chill.Value || w.alarms.Tracks(roomKey(conditions.Chill, r))) {
		return w.alarms.Observe(w.alarms.Rules.Level(conditions.Chill, &in, &r.memory))
	}
	return nil
}

// roomCondition is what the conditions see of a room.
func (w *watch) roomCondition(r *room, now *roomair.Air) conditions.RoomState {
	in := roomair.StateOf(now, r.sensors.Sensors, w.clock, w.resumed)
	in.Room, in.Name, in.Location, in.BlindSince = r.config.ID, r.config.Name, w.facility.Site.Location, r.blindSince
	in.PressurePa, in.Limits, in.Cohorts = w.pressurePa, r.limits.Conditions, r.limits.Heat
	if below := r.config.ColdestSurfaceBelowAirCelsius; below > 0 {
		in.Surface = &conditions.Surface{BelowAirC: below}
	}
	return in
}
