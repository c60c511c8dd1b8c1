package incidents

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/snapshot"
)

// season is the weather an incident happens in.
type season int

const (
	winter season = iota
	spring
	summer
)

func (s season) month() time.Month { return [...]time.Month{time.January, time.April, time.July}[s] }

// meanC is the mean temperature outside, in °C. The summers of the model are
// those of a cool place; a hot day says so itself.
func (s season) meanC() float64 { return [...]float64{10, 10, 11}[s] }

// incident is one way in which a facility fails.
type incident struct {
	name   string
	season season
	// hour is the hour of the day it begins at, -1 for any.
	hour int
	// begin breaks things. Then is called before every later step with the
	// time since, nil if nothing more happens.
	begin func(w *world)
	then  func(w *world, since time.Duration)
	lasts time.Duration
	// cause lists the conditions of which any names the cause; empty where
	// the shape cannot tell it and nothing should be named.
	cause []alerts.Condition
	// everywhere is set when all rooms are struck, else it is the first one.
	everywhere bool
	// heat is set where it is heat that harms the animals.
	heat bool
	// prompt is set for plain failures, of which it is promised when they are
	// named; see Promised. What goes wrong by halves takes its time.
	prompt bool
	// damp is set where water is the trouble.
	damp bool
}

func fault(f rehearsal.Fault) func(*world) { return func(w *world) { w.rooms[0].Faults |= f } }

func design(change func(*rehearsal.Design)) func(*world) {
	return func(w *world) { change(&w.rooms[0].Design) }
}

func each(do func(*room)) func(*world) {
	return func(w *world) {
		for _, r := range w.rooms {
			do(r)
		}
	}
}

func both(a, b func(*world)) func(*world) { return func(w *world) { a(w); b(w) } }

func sensor(change func(*probe)) func(*world) { return func(w *world) { change(w.rooms[0].probes[0]) } }

func brokerDown(w *world) { w.broker = false }

func warmer(byC float64, over time.Duration) func(*world, time.Duration) {
	return func(w *world, since time.Duration) {
		if since <= over {
			w.climate.MeanC += byC * w.every.Hours() / over.Hours()
		}
	}
}

const day = 24 * time.Hour

func list(c ...alerts.Condition) []alerts.Condition { return c }

// library is every incident that is rehearsed.
func library() []incident {
	const (
		stuck  = rehearsal.HeaterStuckOn
		shut   = rehearsal.VentStuckShut
		dead   = rehearsal.HeaterDead
		dry    = rehearsal.HumidifierDead
		wet    = rehearsal.HumidifierStuckOn
		vent   = rehearsal.VentStuckOpen
		door   = rehearsal.DoorOpen
		unpwrd = rehearsal.PowerLost
	)
	heater, weak := list(conditions.HeaterStuckOn), list(conditions.HeatingWeak)
	humidifier := list(conditions.HumidifierExhausted)
	opened := list(conditions.DoorOpen)
	// Until the humidity falls, a room without power looks like a room without
	// heating, and the alarm says so.
	power := list(conditions.PowerLost, conditions.HeatingWeak)
	silent := list(conditions.SensorSilent, conditions.RoomBlind)
	faulty := list(conditions.SensorFault)
	emptyTank := func(w *world) { w.rooms[0].TankG = 0; w.rooms[0].Faults |= dry }
	return []incident{
		{name: "heater stuck on, winter, vent shut", prompt: true, season: winter, hour: -1, begin: fault(stuck | shut), lasts: day, cause: heater, heat: true},
		{name: "heater stuck on, winter, vent works", prompt: true, season: winter, hour: -1, begin: fault(stuck), lasts: day, cause: heater},
		{name: "heater stuck on, spring, vent shut", prompt: true, season: spring, hour: -1, begin: fault(stuck | shut), lasts: day, cause: heater, heat: true},
		{name: "heater stuck on, summer, vent shut", prompt: true, season: summer, hour: -1, begin: fault(stuck | shut), lasts: day, cause: heater, heat: true},
		{name: "heater stuck on at night", prompt: true, season: winter, hour: 1, begin: fault(stuck | shut), lasts: day, cause: heater, heat: true},
		{name: "thermostat set 10 °C too high", season: winter, hour: 9, begin: both(fault(shut), design(func(d *rehearsal.Design) { d.DayC += 10; d.NightC += 10 })), lasts: day, cause: heater, heat: true},
		{name: "heater stuck on at half power", season: winter, hour: -1, begin: both(fault(stuck|shut), design(func(d *rehearsal.Design) { d.HeaterW /= 2 })), lasts: day, cause: heater, heat: true},
		{name: "heater dead, winter", season: winter, hour: -1, begin: fault(dead), lasts: day, cause: weak},
		{name: "heater dead, spring", season: spring, hour: 20, begin: fault(dead), lasts: day, cause: weak},
		{name: "heater dead on a winter night", season: winter, hour: 23, begin: fault(dead), lasts: day, cause: weak},
		{name: "heater too weak", season: winter, hour: 18, begin: design(func(d *rehearsal.Design) { d.HeaterW *= 0.15 }), lasts: day, cause: weak},
		{name: "heater stuck on, strong heater in a small room", prompt: true, season: winter, hour: -1, begin: both(fault(stuck|shut), design(func(d *rehearsal.Design) { d.HeaterW *= 5 })), lasts: 12 * time.Hour, cause: heater, heat: true},
		{name: "lamp too close, summer noon", season: summer, hour: 11, begin: both(fault(stuck|shut), design(func(d *rehearsal.Design) { d.HeaterW *= 3; d.DayC += 12 })), lasts: 12 * time.Hour, cause: heater, heat: true},
		{name: "night set-back 12 °C too deep", season: winter, hour: 17, begin: design(func(d *rehearsal.Design) { d.NightC -= 12 }), lasts: day, cause: weak},
		{name: "humidifier dry, winter", prompt: true, season: winter, hour: -1, begin: emptyTank, lasts: day, cause: humidifier},
		{name: "humidifier dry, spring", prompt: true, season: spring, hour: -1, begin: emptyTank, lasts: day, cause: humidifier},
		{name: "humidifier dry at night", prompt: true, season: winter, hour: 22, begin: emptyTank, lasts: day, cause: humidifier},
		{name: "humidifier half blocked", season: winter, hour: -1, begin: design(func(d *rehearsal.Design) { d.HumidifierGPerS *= 0.03 }), lasts: day, cause: humidifier},
		{name: "humidifier stuck on", season: spring, hour: -1, begin: fault(wet), lasts: 2 * day, damp: true},
		{name: "misting left on, vent shut", season: summer, hour: -1, begin: fault(wet | shut), lasts: 2 * day, damp: true},
		{name: "vent stuck open, winter", prompt: true, season: winter, hour: -1, begin: fault(vent), lasts: day, cause: opened},
		{name: "vent stuck open, spring", prompt: true, season: spring, hour: -1, begin: fault(vent), lasts: day, cause: opened},
		{name: "vent stuck shut on a hot day", season: summer, hour: 6, begin: both(fault(shut), design(func(d *rehearsal.Design) { d.SunW *= 15 })), then: warmer(8, 3*time.Hour), lasts: day, cause: heater, heat: true, everywhere: true},
		{name: "door left open, winter", prompt: true, season: winter, hour: 9, begin: fault(door), lasts: 12 * time.Hour, cause: opened},
		{name: "door left open, spring", prompt: true, season: spring, hour: 18, begin: fault(door), lasts: 12 * time.Hour, cause: opened},
		{name: "power lost in one room", season: winter, hour: -1, begin: fault(unpwrd), lasts: day, cause: power},
		{name: "power lost in one room, spring", season: spring, hour: 21, begin: fault(unpwrd), lasts: day, cause: power},
		{name: "mains lost, winter", prompt: true, season: winter, hour: -1, begin: each(func(r *room) { r.Faults |= unpwrd }), lasts: day, cause: list(conditions.MainsLost), everywhere: true},
		{name: "mains lost, night", prompt: true, season: winter, hour: 2, begin: each(func(r *room) { r.Faults |= unpwrd }), lasts: day, cause: list(conditions.MainsLost), everywhere: true},
		{name: "broker down", season: spring, hour: -1, begin: brokerLost, lasts: 12 * time.Hour, cause: list(conditions.BrokerLost), everywhere: true},
		{name: "one sensor dead", season: spring, hour: -1, begin: sensor(func(p *probe) { p.dead = true }), lasts: day, cause: silent},
		{name: "all sensors of a room dead", season: spring, hour: -1, begin: func(w *world) {
			for _, p := range w.rooms[0].probes {
				p.dead = true
			}
		}, lasts: 12 * time.Hour, cause: silent},
		{name: "sensor wet", season: spring, hour: -1, begin: sensor(func(p *probe) { p.wet = true }), lasts: day, cause: faulty},
		{name: "sensor spiking", season: spring, hour: -1, begin: sensor(func(p *probe) { p.spikeC = 12 }), lasts: day, cause: faulty},
		{name: "sensor stuck at a value", season: spring, hour: -1, begin: sensor(func(p *probe) { p.stuck = true }), lasts: 2 * day, cause: faulty},
		{name: "sensor drifting 1 °C in six hours", season: spring, hour: -1, begin: func(*world) {}, then: func(w *world, since time.Duration) {
			w.rooms[0].probes[0].driftC = since.Hours() / 6
		}, lasts: 2 * day, cause: faulty},
		{name: "cold snap with a weak heater", season: winter, hour: 12, begin: design(func(d *rehearsal.Design) { d.HeaterW *= 0.2 }), then: warmer(-14, 10*time.Hour), lasts: 2 * day, cause: weak},
		{name: "heat wave", season: summer, hour: 6, begin: func(*world) {}, then: warmer(16, day), lasts: 2 * day, heat: true, everywhere: true, damp: true},
		{name: "window cracked, slow leak", season: winter, hour: 20, begin: design(func(d *rehearsal.Design) { d.AirChangesPerHour += 3 }), lasts: day, cause: opened},
		{name: "heater and humidifier dead together", season: winter, hour: -1, begin: fault(dead | dry), lasts: day, cause: power},
		{name: "heater stuck while one sensor is dead", season: winter, hour: -1, begin: both(fault(stuck|shut), sensor(func(p *probe) { p.dead = true })), lasts: day, cause: heater, heat: true},
		{name: "door open while the humidifier is dry", season: winter, hour: 10, begin: both(fault(door), emptyTank), lasts: 12 * time.Hour, cause: opened},
	}
}

// brokerLost cuts the link, and the engine is told so as it would be.
func brokerLost(w *world) {
	brokerDown(w)
	w.failed = w.sandbox.Link(snapshot.Link{Address: "tcp://127.0.0.1:1883", Since: w.now, Problem: "connection refused; is the broker running?"})
}
