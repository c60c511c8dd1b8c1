package incidents

import (
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/sandbox"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// reader is a sensing element; see rehearsal.Probe.
type reader interface {
	Read(dt time.Duration, airC, humidityPercent float64) (temperatureC, relativeHumidityPercent float64)
}

// probe is one invented sensor, with what can be wrong with it.
type probe struct {
	reader
	id sensors.SensorID
	// dead sensors send nothing; stuck ones the same value for ever.
	dead, stuck bool
	// driftC is what is added to the temperature, spikeC now and then.
	driftC, spikeC float64
	// wet sensors report saturation.
	wet          bool
	lastC, lastH float64
}

// room is one invented room with its sensors.
type room struct {
	*rehearsal.Room
	// second moves a room of the second world, nil in the first.
	second *secondRoom
	id     sensors.RoomID
	probes []*probe
	// unpowered is for how long the room has been without power.
	unpowered time.Duration
	// doorLeft is for how long a visitor's door still stands open.
	doorLeft time.Duration
}

// gatewayLasts is how long a room's gateway runs from its battery.
const gatewayLasts = 6 * time.Hour

// world is the whole facility in front of a sandbox of the engine.
type world struct {
	rng     *rand.Rand
	climate *rehearsal.Climate
	rooms   []*room
	sandbox *sandbox.Sandbox
	now     time.Time
	every   time.Duration
	broker  bool
	// visits are how often a day somebody opens each door for a minute or two.
	visits float64
	// lost is the share of reports that never arrive.
	lost float64
	// failed is what went wrong in a turn of an incident.
	failed error
	dose   injury
	steps  []records.AlarmTransition
	pages  []notify.Notice
}

// plan says how a world is built.
type plan struct {
	world World
	seed  uint64
	begin time.Time
	rooms int
	every time.Duration
	grid  time.Duration
	meanC float64
}

// built is the configuration of the facility.
func (p plan) facility() (*facility.Facility, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "facility: {name: Invented house, timezone: UTC}\nbroker: {address: \"tcp://127.0.0.1:1883\", client_id: rehearsal}\nrooms:\n")
	for i := range p.rooms {
		fmt.Fprintf(&b, "  - {id: room-%d, name: Room %d, coldest_surface_below_air_celsius: 2}\n", i, i)
	}
	b.WriteString("sensors:\n")
	sensor := func(id, place string) {
		fmt.Fprintf(&b, "  - {id: %s, %s, interval: %s, inputs: [{topic: r/%s, format: json, values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: \"%%\"}]}]}\n",
			id, place, p.every, id)
	}
	for i := range p.rooms {
		for k := range probesPerRoom {
			sensor(fmt.Sprintf("s%d-%d", i, k), fmt.Sprintf("room: room-%d, position: shelf %d", i, k+1))
		}
	}
	sensor("outdoor", "place: outdoor")
	b.WriteString(`people: [{id: lead, name: Lead, email: lead@example.org}, {id: keeper, name: Keeper, email: keeper@example.org}]
channels: [{id: mail, kind: email, smtp: {host: localhost, tls: none, from: house@example.org}}]
roster:
  - {who: [lead], channels: [mail], priorities: [medium, high, critical]}
  - {who: [keeper], channels: [mail], priorities: [low]}
`)
	return facility.Parse("incidents.yaml", []byte(b.String()))
}

// probesPerRoom is how many sensors a room has.
const probesPerRoom = 2

func newWorld(p plan, catalog *species.Catalog) (*world, error) {
	f, err := p.facility()
	if err != nil {
		return nil, err
	}
	w := &world{
		rng: rand.New(rand.NewPCG(p.seed, 0x1ab)), climate: rehearsal.NewClimate(p.seed),
		now: p.begin, every: p.every, broker: true, visits: 5, lost: 0.01,
	}
	if p.meanC != 0 {
		w.climate.MeanC = p.meanC
	}
	w.sandbox, err = sandbox.New(fold.Options{
		Facility: f, Catalog: catalog, Logger: slog.New(slog.DiscardHandler), ForecastEvery: 24 * time.Hour, Grid: p.grid,
	}, p.begin)
	if err != nil {
		return nil, err
	}
	for i := range p.rooms {
		night := 22.5 + 1.5*w.rng.Float64()
		day := night + 1 + 2*w.rng.Float64()
		w.rooms = append(w.rooms, p.room(w.rng, i, day, night))
	}
	return w, w.sandbox.Link(snapshot.Link{Address: "tcp://127.0.0.1:1883", Connected: true, Subscribed: true, Since: p.begin})
}

// rear a cohort of a species from a stage on in a room.
func (w *world) rear(id string, sp species.ID, stage species.StageID, r *room) error {
	return w.sandbox.Do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: population.CohortID(id), Species: sp, Start: w.now, StartStage: stage, Individuals: 80,
		Placements: []population.Placement{{Room: r.id, From: w.now}},
	}})
}

// advance moves the facility by one report interval and lets the engine see it.
func (w *world) advance() error {
	weather := w.climate.At(w.now)
	hour := float64(w.now.Hour()) + float64(w.now.Minute())/60
	for _, r := range w.rooms {
		w.stepRoom(r, weather, hour)
	}
	w.now = w.now.Add(w.every)
	var out []sensors.Message
	for _, r := range w.rooms {
		if r.unpowered > gatewayLasts {
			continue
		}
		for _, p := range r.probes {
			if m, ok := w.report(p, r.AirC, r.HumidityPercent()); ok {
				out = append(out, m)
			}
		}
	}
	out = append(out, w.message("outdoor", weather.TemperatureC, weather.HumidityPercent))
	if w.broker {
		if err := w.sandbox.Messages(out...); err != nil {
			return err
		}
	}
	if err := w.sandbox.Advance(w.now.Add(time.Second)); err != nil {
		return err
	}
	w.steps = append(w.steps, w.sandbox.TakeSteps()...)
	w.pages = append(w.pages, w.sandbox.TakeNotices()...)
	return nil
}

// stepRoom moves a room by one interval, with its visitors.
func (w *world) stepRoom(r *room, weather rehearsal.Weather, hour float64) {
	if r.Faults&rehearsal.PowerLost != 0 {
		r.unpowered += w.every
	} else {
		r.unpowered = 0
	}
	if hour >= 8 && hour < 18 && w.rng.Float64() < w.visits*w.every.Hours()/10 {
		r.doorLeft = time.Duration((30 + 120*w.rng.Float64()) * float64(time.Second))
	}
	if open := min(r.doorLeft, w.every); open > 0 {
		before := r.Faults
		r.Faults |= rehearsal.DoorOpen
		r.Step(open, weather, hour)
		r.Faults = before
		r.Step(w.every-open, weather, hour)
		r.doorLeft -= open
	} else {
		r.Step(w.every, weather, hour)
	}
	if r.Faults&rehearsal.HumidifierDead == 0 && r.TankG < r.Design.TankG/4 {
		r.TankG = r.Design.TankG
	}
}

// report is what a sensor sends, and false for nothing.
func (w *world) report(p *probe, airC, percent float64) (sensors.Message, bool) {
	t, h := p.Read(w.every, airC, percent)
	t += p.driftC
	if p.spikeC != 0 && w.rng.Float64() < 0.1 {
		t += p.spikeC
	}
	if p.wet {
		h = 100
	}
	if p.stuck {
		t, h = p.lastC, p.lastH
	}
	p.lastC, p.lastH = t, h
	if p.dead || w.rng.Float64() < w.lost {
		return sensors.Message{}, false
	}
	return w.message(p.id, t, h), true
}

func (w *world) message(id sensors.SensorID, t, h float64) sensors.Message {
	return sensors.Message{
		Topic: "r/" + string(id), Received: w.now, Ack: func() {},
		Payload: fmt.Appendf(nil, `{"t":%.2f,"h":%.1f}`, t, math.Min(h, 100)),
	}
}

// room draws the room of a number.
func (p plan) room(rng *rand.Rand, number int, day, night float64) *room {
	r := &room{id: sensors.RoomID(fmt.Sprintf("room-%d", number))}
	if p.world == First {
		design := rehearsal.Heated(30+60*rng.Float64(), day, night, 78+5*rng.Float64())
		// Rearing rooms are shaded.
		design.SunW /= 3
		r.Room = rehearsal.NewRoom(design)
	} else {
		r.Room, r.second = newSecondRoom(p.world, rng, day, night, 76+6*rng.Float64())
	}
	for k := range probesPerRoom {
		one := &probe{id: sensors.SensorID(fmt.Sprintf("s%d-%d", number, k))}
		seed := p.seed + uint64(number)*31 + uint64(k)*977
		if p.world == First {
			one.reader = rehearsal.NewProbe(seed, 0.8*rng.Float64()-0.4)
		} else {
			one.reader = newSecondProbe(seed)
		}
		r.probes = append(r.probes, one)
	}
	return r
}

// Step moves the room on.
func (r *room) Step(dt time.Duration, outside rehearsal.Weather, hour float64) {
	if r.second != nil {
		r.second.step(r.Room, dt, outside, hour)
		return
	}
	r.Room.Step(dt, outside, hour)
}
