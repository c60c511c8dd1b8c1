package daemon

import (
	"fmt"
	"time"

	"rearguard/alerts"

	"rearguard/alerts/conditions"
	"rearguard/sensors"
)

// watchRoom evaluates every condition of a room at an instant of the grid.
func (c *core) watchRoom(r *roomState) error {
	now := r.airNow(c.clock)
	r.noteBlind(now.temperature == nil, c.clock)
	in := c.roomCondition(r, &now)
	found, memory := c.watch.rules.Room(&in, r.memory)
	r.memory = memory
	r.sign = conditions.SignOf(&in, &r.memory)
	for _, o := range found {
		if err := c.observe(o); err != nil {
			return err
		}
	}
	return nil
}

func (r *roomState) noteBlind(blind bool, now time.Time) {
	switch {
	case !blind:
		r.blindSince = time.Time{}
	case r.blindSince.IsZero():
		r.blindSince = now
	}
}

func roomKey(c alerts.Condition, r *roomState) alerts.Key {
	return alerts.Key{Condition: c, Room: r.config.ID}
}

// watchLevels evaluates heat and cold at the moment a reading comes in, so
// that delays run from the crossing and not from the next instant of the
// grid. Nothing is done for a room that is well.
func (c *core) watchLevels(r *roomState) error {
	limits := &r.limits.conditions
	if limits.Heat == nil && limits.Chill == nil {
		return nil
	}
	warmest, coldest := r.extremes(c.clock)
	if warmest == nil {
		return nil
	}
	in := conditions.RoomState{
		Room: r.config.ID, Name: r.config.Name, Now: c.clock, Location: c.facility.Site.Location,
		Warmest: warmest, Coldest: coldest, Limits: *limits,
	}
	if limits.Heat != nil && (warmest.Value > limits.Heat.Value || c.machine.Tracks(roomKey(conditions.Heat, r))) {
		if err := c.observe(c.watch.rules.Level(conditions.Heat, &in, &r.memory)); err != nil {
			return err
		}
	}
	if limits.Chill != nil && (coldest.Value < limits.Chill.Value || c.machine.Tracks(roomKey(conditions.Chill, r))) {
		return c.observe(c.watch.rules.Level(conditions.Chill, &in, &r.memory))
	}
	return nil
}

// extremes are the warmest and coldest fresh temperature of a room.
func (r *roomState) extremes(now time.Time) (warmest, coldest *conditions.Point) {
	for _, s := range r.sensors {
		if t, ok := s.present(sensors.Temperature, now); ok {
			extreme(&warmest, s, t.Value, true)
			extreme(&coldest, s, t.Value, false)
		}
	}
	return warmest, coldest
}

// roomCondition is what the conditions see of a room.
func (c *core) roomCondition(r *roomState, now *roomNow) conditions.RoomState {
	in := conditions.RoomState{
		Room: r.config.ID, Name: r.config.Name, Now: c.clock, Location: c.facility.Site.Location,
		Blind: now.temperature == nil, BlindSince: r.blindSince,
		Warmest: now.warmest, Coldest: now.coldest, Driest: now.driest, Dampest: now.dampest, HighestVPD: now.highestVPD,
		TemperatureC: now.temperature, HumidityPercent: now.humidity,
		OutdoorC: c.outdoorC(), PressurePa: c.watch.pressurePa,
		Limits: r.limits.conditions, Cohorts: r.limits.heat,
		Sensors: make([]conditions.SensorState, 0, len(r.sensors)),
	}
	if in.HumidityPercent != nil && *in.HumidityPercent > 100 {
		full := 100.0
		in.HumidityPercent = &full
	}
	if below := r.config.ColdestSurfaceBelowAirCelsius; below > 0 {
		in.Surface = &conditions.Surface{BelowAirC: below}
	}
	if in.Blind {
		in.Listening = c.listening(r)
	}
	for _, s := range r.sensors {
		in.Sensors = append(in.Sensors, c.sensorCondition(s, in.Blind))
	}
	return in
}

// sensorCondition is what the conditions see of a sensor. The last value is
// for people, and only written where somebody will read it.
func (c *core) sensorCondition(s *sensorState, spoken bool) conditions.SensorState {
	state := conditions.SensorState{
		ID: s.config.ID, Position: s.config.Position, LastReading: s.told,
		Interval: s.habit(), ExpectedSince: c.resumed, Fault: s.fault(c.clock),
	}
	if t := s.series[sensors.Temperature]; t != nil && !t.newest.Time.IsZero() {
		if spoken || state.Fault != "" || c.clock.Sub(s.told) >= conditions.SilentAfter(state.Interval) {
			state.LastValue = fmt.Sprintf("%.1f °C", t.newest.Value)
		}
	}
	return state
}

// fault says what is wrong with the readings of a sensor, empty if nothing.
func (s *sensorState) fault(now time.Time) string {
	for _, series := range s.series {
		if series == nil || series.newest.Time.IsZero() || now.Sub(series.newest.Time) > s.staleAfter() {
			continue
		}
		switch series.newest.Flag {
		case sensors.Suspect:
			return series.key.Quantity.String() + " is hard to believe"
		case sensors.Fail:
			return series.key.Quantity.String() + " cannot be right"
		}
	}
	return ""
}
