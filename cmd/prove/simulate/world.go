package simulate

import (
	"fmt"
	"math"
	"time"

	"rearguard/sensors"
)

// room is the air of a room as it truly is.
type room struct {
	plan roomPlan
	id   sensors.RoomID
	airC float64
	// stuckC is by how much a stuck heater, or an open door, moves the air; 0
	// for neither.
	stuckC float64
}

// advance lets a minute pass in a room.
func (m *room) advance(now int, d dice, index int) {
	hour := float64(now) / 60
	target := m.plan.BaseC + m.plan.SwingC*math.Sin(2*math.Pi*hour/24) + m.stuckC
	m.airC += (target - m.airC) / m.plan.TauMinutes
	m.airC += 0.02 * (d.share(forNoise, now, index) - 0.5)
}

// form is how a sensor speaks.
type form int

// The forms.
const (
	plainForm form = iota
	fahrenheitForm
	jsonForm
	senmlForm
	sparkplugForm
	homieForm
	forms
)

// ownTime reports whether messages carry the sensor's own time.
func (f form) ownTime() bool { return f == jsonForm || f == senmlForm || f == sparkplugForm }

// formNames are the names under which forms can be left out of runs.
var formNames = [forms]string{"speaks plain", "speaks Fahrenheit", "speaks JSON", "speaks SenML", "speaks Sparkplug", "speaks Homie"}

// sensor is one device.
type sensor struct {
	plan  sensorPlan
	index int
	id    sensors.SensorID
	room  *room
	// count numbers its messages.
	count int
	// silent, stuck, lying, late and clock are what is wrong with it now.
	silent  bool
	stuck   *float64
	lyingC  float64
	late    bool
	held    []*message
	clock   time.Duration
	born    bool
	seq     uint8
	session uint64
	// spoiltUntil is until when nothing is expected of it that depends on its
	// being right.
	spoiltUntil int
}

// trusted reports whether what the sensor says is true now, and in time.
func (s *sensor) trusted(now int) bool {
	return !s.silent && s.stuck == nil && s.lyingC == 0 && !s.late && s.clock == 0 && now >= s.spoiltUntil
}

// reads is what the sensor measures, in steps of 0.01 °C with the number of
// the message in the digits after: each value tells which message it was.
func (s *sensor) reads(now int, d dice) float64 {
	v := s.room.airC + s.plan.BiasC + s.lyingC + 0.05*(d.share(forNoise, now, 100+s.index)-0.5)
	if s.stuck != nil {
		return *s.stuck
	}
	v = math.Round(v*100)/100 + float64(s.count%1000)*1e-5
	return math.Round(v*1e5) / 1e5
}

// valueKey is a value as whole steps of what tells messages apart.
func valueKey(v float64) int64 { return int64(math.Round(v * 1e5)) }

// said is one value that a sensor has published, and what became of it.
type said struct {
	sensor *sensor
	valueC float64
	// at is the time that the message says, or at which it was published by
	// the wall clock of the daemon's machine; trueAt is the minute of it.
	at     time.Time
	trueAt int
	// binding is set when it must be in the records once it is acknowledged.
	binding bool
	acked   bool
	// placed is set when it must be there with the time that the message says.
	placed bool
	// handed counts how often it was given to the daemon, heard when first.
	handed int
	heard  int
}

// message is one publication.
type message struct {
	topic    string
	body     []byte
	retained bool
	// again is set once the daemon may have had it, queued when it waited while
	// nobody took it; packet is the number under which it is given.
	again, queued bool
	packet        uint16
	said          *said
	// birth is the sensor that tells with it what its later messages mean, nil
	// for all others.
	birth *sensor
}

// report publishes what a sensor has to say in this minute.
func (r *run) report(s *sensor) {
	if s.silent || (r.now+s.plan.Phase)%s.plan.Interval != 0 {
		return
	}
	wall := r.trueTime()
	for _, m := range s.births(wall) {
		r.broker.publish(m)
	}
	s.count++
	v := s.reads(r.now, r.dice)
	at := wall.Add(s.clock)
	m := &message{
		topic: s.topic(), body: s.encode(v, at), retained: s.plan.Form == homieForm,
		said: &said{sensor: s, valueC: v, at: at, trueAt: r.now, binding: s.clock == 0, placed: true},
	}
	r.ledger = append(r.ledger, m.said)
	if s.late {
		s.held = append(s.held, m)
		return
	}
	for _, old := range s.held {
		r.broker.publish(old)
	}
	s.held = nil
	r.broker.publish(m)
}

// roomID and sensorID are the names that a run begins with.
func roomID(i int) sensors.RoomID { return sensors.RoomID(fmt.Sprintf("room-%c", 'a'+i)) }

func sensorID(i int) sensors.SensorID { return sensors.SensorID(fmt.Sprintf("probe-%d", i+1)) }
