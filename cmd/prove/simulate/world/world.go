package world

import (
	"fmt"
	"math"
	"time"

	"rearguard/sensors"
)

// Room is the air of a room as it truly is.
type Room struct {
	Plan RoomPlan
	ID   sensors.RoomID
	AirC float64
	// StuckC is by how much a stuck heater, or an open door, moves the air; 0
	// for neither.
	StuckC float64
}

// Advance lets a minute pass in a room.
func (m *Room) Advance(now int, d Dice, index int) {
	hour := float64(now) / 60
	target := m.Plan.BaseC + m.Plan.SwingC*math.Sin(2*math.Pi*hour/24) + m.StuckC
	m.AirC += (target - m.AirC) / m.Plan.TauMinutes
	m.AirC += 0.02 * (d.share(forNoise, now, index) - 0.5)
}

// Form is how a sensor speaks.
type Form int

// The forms.
const (
	PlainForm Form = iota
	fahrenheitForm
	JSONForm
	senmlForm
	SparkplugForm
	homieForm
	ChangeForm
	forms
)

// OwnTime reports whether messages carry the sensor's own time.
func (f Form) OwnTime() bool { return f == JSONForm || f == senmlForm || f == SparkplugForm }

// FormNames are the names under which forms can be left out of runs.
var FormNames = [forms]string{"speaks plain", "speaks Fahrenheit", "speaks JSON", "speaks SenML", "speaks Sparkplug", "speaks Homie", "speaks on change"}

// Sensor is one device.
type Sensor struct {
	Plan  SensorPlan
	Index int
	ID    sensors.SensorID
	Room  *Room
	// count numbers its messages.
	count int
	// Silent, stuck, lying, late and clock are what is wrong with it now.
	Silent bool
	Stuck  *float64
	LyingC float64
	Late   bool
	// Absurd sensors say beside what they measure what nothing can measure.
	Absurd  bool
	held    []*Message
	Clock   time.Duration
	Born    bool
	seq     uint8
	session uint64
	// reported is what a sensor that speaks on change said last, there whether
	// it last said that it is there.
	reported float64
	there    bool
	// SpoiltUntil is until when nothing is expected of it that depends on its
	// being right.
	SpoiltUntil int
}

// Trusted reports whether what the sensor says is true now, and in time.
func (s *Sensor) Trusted(now int) bool {
	return now >= s.Plan.Joins && !s.Silent && s.Stuck == nil && s.LyingC == 0 && !s.Late && !s.Absurd && s.Clock == 0 && now >= s.SpoiltUntil
}

// There reports whether a sensor that speaks on change has said that it is there.
func (s *Sensor) There() bool { return s.there }

// Reads is what the sensor measures, in steps of 0.01 °C with the number of
// the message in the digits after: each value tells which message it was.
func (s *Sensor) Reads(now int, d Dice) float64 {
	v := s.Room.AirC + s.Plan.BiasC + s.LyingC + 0.05*(d.share(forNoise, now, 100+s.Index)-0.5)
	if s.Stuck != nil {
		return *s.Stuck
	}
	v = math.Round(v*100)/100 + float64(s.count%1000)*1e-5
	return math.Round(v*1e5) / 1e5
}

// ValueKey is a value as whole steps of what tells messages apart.
func ValueKey(v float64) int64 { return int64(math.Round(v * 1e5)) }

// Said is one value that a sensor has published, and what became of it.
type Said struct {
	Sensor *Sensor
	ValueC float64
	// At is the time that the message says, or at which it was published by
	// the wall clock of the daemon's machine; trueAt is the minute of it.
	At     time.Time
	TrueAt int
	// Binding is set when it must be in the records once it is acknowledged.
	Binding bool
	// Placed is set when it must be there with the time that the message says.
	Placed bool
	Acked  bool
	// Handed counts how often it was given to the daemon, heard when first.
	Handed int
	Heard  int
}

// Message is one publication.
type Message struct {
	Topic    string
	Body     []byte
	Retained bool
	// Again is set once the daemon may have had it, queued when it waited while
	// nobody took it; packet is the number under which it is given.
	Again, Queued bool
	Packet        uint16
	Said          *Said
	// Birth is the sensor that tells with it what its later messages mean, nil
	// for all others.
	Birth *Sensor
}

// publishWithin is how long after it was measured a value is published at most.
const publishWithin = 15 * time.Second

// What is absurd is said a moment before what is measured.
const (
	absurdC      = 1e305
	absurdBefore = 20 * time.Second
)

// changeC is by how much the air must change for a sensor to speak that does so
// on change.
const changeC = 0.3

// presence is what is published when a sensor that speaks on change comes, and
// by the broker in its place when it goes.
func (s *Sensor) presence() []*Message {
	if s.Plan.Form != ChangeForm || s.there == !s.Silent {
		return nil
	}
	s.there, s.reported = !s.Silent, math.Inf(-1)
	word := "offline"
	if s.there {
		word = "online"
	}
	return []*Message{{Topic: s.Topic() + "/there", Body: []byte(word), Retained: true}}
}

// Report is what a sensor publishes in a minute, and what it says with it, nil
// for nothing.
func (s *Sensor) Report(now int, at time.Time, d Dice) (published []*Message, one *Said) {
	if now < s.Plan.Joins {
		return nil, nil
	}
	published = s.presence()
	if s.Silent || (now+s.Plan.Phase)%s.Plan.Interval != 0 {
		return published, nil
	}
	published = append(published, s.births(at)...)
	s.count++
	v := s.Reads(now, d)
	if s.Plan.Form == ChangeForm && math.Abs(v-s.reported) < changeC {
		return published, nil
	}
	s.reported = v
	// What is measured is published a moment later.
	at = at.Add(s.Clock - time.Duration(d.Below(int(publishWithin/time.Millisecond), forNoise, now, 200+s.Index))*time.Millisecond)
	if s.Absurd && !s.Late {
		published = append(published, &Message{Topic: s.Topic(), Body: s.encode(absurdC, at.Add(-absurdBefore))})
	}
	m := &Message{
		Topic: s.Topic(), Body: s.encode(v, at), Retained: s.Plan.Form == homieForm || s.Plan.Form == ChangeForm,
		Said: &Said{Sensor: s, ValueC: v, At: at, TrueAt: now, Binding: s.Clock == 0, Placed: true},
	}
	if s.Late {
		s.held = append(s.held, m)
		return published, m.Said
	}
	published = append(append(published, s.held...), m)
	s.held = nil
	return published, m.Said
}

// Find is what a sensor with a clock of its own publishes of a reading that it
// took so many minutes ago, at a time at which it published no other.
func (s *Sensor) Find(now, ago int, at time.Time, d Dice) *Message {
	s.count++
	v := s.Reads(now, d)
	at = at.Add(-time.Duration(ago)*time.Minute - publishWithin - time.Duration(d.Below(int(publishWithin/time.Millisecond), forNoise, now, 300+s.Index))*time.Millisecond)
	return &Message{
		Topic: s.Topic(), Body: s.encode(v, at),
		Said: &Said{Sensor: s, ValueC: v, At: at, TrueAt: now - ago, Binding: true, Placed: true},
	}
}

// RoomID is the name with which a room begins a run.
func RoomID(i int) sensors.RoomID { return sensors.RoomID(fmt.Sprintf("room-%c", 'a'+i)) }

// SensorID is the name with which a sensor begins a run.
func SensorID(i int) sensors.SensorID { return sensors.SensorID(fmt.Sprintf("probe-%d", i+1)) }

// Junk are messages that no sensor wants.
func Junk(n, from int) []*Message {
	var list []*Message
	for i := range n {
		list = append(list, &Message{Topic: fmt.Sprintf("junk/%d", from+i), Body: []byte("{\"hello\": 1e400}")})
	}
	return list
}
