package rehearsal

import (
	"fmt"
	"hash/fnv"
	"time"

	"rearguard/sensors"
)

// ReportEvery is how often an invented sensor reports.
const ReportEvery = 5 * time.Minute

// Message is what an invented sensor publishes.
type Message struct {
	Topic, Payload string
	// Timed is set when the payload carries the sensor's own time, so that it
	// may be delivered later.
	Timed bool
}

// House is the whole invented facility: weather, rooms and sensors. It is
// driven from one goroutine.
type House struct {
	climate *Climate
	rooms   map[sensors.RoomID]*Room
	order   []sensors.RoomID
	probes  []*houseProbe
	now     time.Time
}

type houseProbe struct {
	*Probe
	spec sensorSpec
	dead bool
}

// NewHouse returns the facility at a time, at rest.
func NewHouse(at time.Time, seed uint64) *House {
	h := &House{climate: NewClimate(seed), rooms: make(map[sensors.RoomID]*Room), now: at}
	built := designs()
	for i, spec := range sensorSpecs {
		h.probes = append(h.probes, &houseProbe{Probe: NewProbe(seed+uint64(i)*977, spec.WarmerC), spec: spec})
		if d, ok := built[spec.Room]; ok && h.rooms[spec.Room] == nil {
			h.rooms[spec.Room] = NewRoom(d)
			h.order = append(h.order, spec.Room)
		}
	}
	return h
}

func (h *House) probe(id sensors.SensorID) *houseProbe {
	for _, p := range h.probes {
		if p.spec.ID == id {
			return p
		}
	}
	// A story about a sensor that does not exist is a mistake in the story.
	panic(fmt.Sprintf("rehearsal: no sensor %q", id))
}

// Now is the time the house has come to.
func (h *House) Now() time.Time { return h.now }

// Do carries out a turn of the story.
func (h *House) Do(t Turn) { t.do(h) }

// Advance moves the house by one report interval and passes what the sensors
// publish at its end to publish.
func (h *House) Advance(publish func(Message)) {
	h.now = h.now.Add(ReportEvery)
	weather := h.climate.At(h.now)
	hour := float64(h.now.Hour()) + float64(h.now.Minute())/60
	for _, id := range h.order {
		r := h.rooms[id]
		r.Step(ReportEvery, weather, hour)
		// Somebody fills the tanks at night, unless the story forbids it.
		if r.Faults&HumidifierDead == 0 && r.TankG < r.Design.TankG/4 {
			r.TankG = r.Design.TankG
		}
	}
	for _, p := range h.probes {
		h.report(p, weather, publish)
	}
}

func (h *House) report(p *houseProbe, weather Weather, publish func(Message)) {
	airC, percent := weather.TemperatureC, weather.HumidityPercent
	if r := h.rooms[p.spec.Room]; r != nil {
		airC, percent = r.AirC, r.HumidityPercent()
	}
	t, rh := p.Read(ReportEvery, airC, percent)
	if p.dead {
		return
	}
	if p.spec.Plain {
		publish(Message{Topic: p.spec.Topic + "/temperature", Payload: fmt.Sprintf("%.2f", t*9/5+32)})
		publish(Message{Topic: p.spec.Topic + "/humidity", Payload: fmt.Sprintf("%.4f", rh/100)})
		return
	}
	publish(Message{
		Topic: p.spec.Topic, Timed: true,
		Payload: fmt.Sprintf(`{"ts":%d,"air":{"t":%.2f,"rh":%.1f}}`, h.stamp(p).UnixMilli(), t, rh),
	})
}

// stamp is the time by a sensor's own clock: no two report in the same
// instant.
func (h *House) stamp(p *houseProbe) time.Time {
	sum := fnv.New32a()
	sum.Write([]byte(p.spec.ID))
	return h.now.Add(-time.Duration(sum.Sum32()%30_000) * time.Millisecond)
}
