// Package desk turns messages into trusted readings. It knows which sensor a
// topic belongs to, decodes, calibrates and flags what comes in, keeps an eye
// on the health of every sensor, and remembers what nobody claims yet.
//
// A message is admitted (Admit), waits for its instant (Order, Next) and is
// taken there (Take) as readings with a quality flag. Nothing here reads a
// clock or a disk, so the same messages in the same order give the same
// readings, live and in a replay.
package desk

import (
	"fmt"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
	"rearguard/sensors/unclaimed"
)

// Rules bound what is believed about the time of a reading.
type Rules struct {
	// FutureTolerance is how far ahead of its arrival a reading may be,
	// AgeLimit how long before it.
	FutureTolerance, AgeLimit time.Duration
}

// Config is one sensor as it is configured.
type Config struct {
	ID sensors.SensorID
	// Room is empty for sensors that measure no room's air.
	Room     sensors.RoomID
	Place    sensors.Place
	Position string
	// HeightM is the height above the floor in metres, nil if not known.
	HeightM *float64
	// Replaces is the retired sensor whose position this one took over.
	Replaces sensors.SensorID
	// Retired sensors are not listened to; their history is the room's.
	Retired bool
	// OnChange is set for a sensor whose last value holds until it sends
	// another.
	OnChange bool
	// Interval is the configured time between reports, 0 if it is learned; with
	// OnChange the longest between two messages.
	Interval time.Duration
	Inputs   []payload.Spec
	// Announces is where the sensor says whether it is there, nil if it does
	// not.
	Announces *Announcement
	// Climate gives what is expected of a quantity at the sensor's place; nil
	// expects nothing.
	Climate func(sensors.Quantity) []quality.Climate
}

// Announcement is a topic on which a sensor, or the broker in its place, says
// that it is there or gone, and the payloads that say so.
type Announcement struct {
	Topic           string
	Online, Offline string
}

// Desk is the state of all sensors. It belongs to one goroutine.
type Desk struct {
	// Intake are the readings that wait for their instant, Presences and
	// OwnClocks changes that wait to be believed.
	Intake    Intake
	Presences Presences
	OwnClocks OwnClocks

	rules Rules
	// sensors are those listened to, retired the others, each in the order in
	// which they were added.
	sensors, retired []*Sensor
	byID             map[sensors.SensorID]*Sensor
	rooms            map[sensors.RoomID]*Room
	routes           routes
	deliveries       deliveries
	unclaimed        unclaimed.Topics
	calibrations     calibration.Register
	swaps            []quality.Swap
	// subscribed is set while the broker delivers: only then can a sensor be
	// missed or asked. Deaf is when it last ceased to. Lost is when the broker was last found to have forgotten
	// the session, losses how often it was.
	subscribed bool
	deaf       time.Time
	lost       time.Time
	losses     uint64
	// requests wait to go to the broker.
	requests []payload.Request
	// Up to taken, times may be taken by readings of a clock that was ahead.
	taken time.Time
}

// Room are the sensors of one room.
type Room struct {
	id sensors.RoomID
	// Sensors measure the room's air now, Past did so once.
	Sensors, Past []*Sensor
	neighbours    [compared]*quality.Neighbours
}

// New returns a desk for the sensors of some rooms, of which it knows none
// yet.
func New(rules Rules, rooms []sensors.RoomID) *Desk {
	d := &Desk{
		rules:      rules,
		byID:       make(map[sensors.SensorID]*Sensor),
		rooms:      make(map[sensors.RoomID]*Room, len(rooms)),
		routes:     newRoutes(),
		Intake:     Intake{outcomes: make(map[Outcome]uint64)},
		deliveries: newDeliveries(),
		unclaimed:  unclaimed.New(),
	}
	for _, id := range rooms {
		d.rooms[id] = &Room{id: id, neighbours: newNeighbours()}
	}
	return d
}

// Room returns the sensors of a room, nil if there is no such room.
func (d *Desk) Room(id sensors.RoomID) *Room { return d.rooms[id] }

// Sensor returns a sensor, retired ones included, nil if there is none.
func (d *Desk) Sensor(id sensors.SensorID) *Sensor { return d.byID[id] }

// NoteLink notes from a time on whether the broker delivers, and when it was last found to
// have forgotten the session, with what it should have kept in it; zero for
// never. Either way messages may have been lost.
func (d *Desk) NoteLink(at time.Time, subscribed bool, lost time.Time) {
	// Not earlier or later: the clock may have been moved in between.
	forgotten := !lost.IsZero() && !lost.Equal(d.lost)
	if forgotten {
		d.lost = lost
		d.losses++
	}
	if d.subscribed && !subscribed {
		d.deaf = at
	}
	if forgotten || subscribed && !d.subscribed {
		for _, c := range d.routes.conversers {
			c.Missed(!forgotten)
		}
	}
	d.subscribed = subscribed
}

// TakeRequests returns what is to be published to sensors.
func (d *Desk) TakeRequests() []payload.Request {
	requests := d.requests
	d.requests = nil
	return requests
}

// Add takes up a sensor. After an error nothing of it is left.
func (d *Desk) Add(config Config) error {
	decoders, err := decodersOf(&config)
	if err != nil {
		return err
	}
	s := &Sensor{config: config, room: d.rooms[config.Room], desk: d}
	for _, in := range config.Inputs {
		s.ownTime = s.ownTime || in.Time != nil || in.Format == payload.SenML || in.Format == payload.SenMLCBOR || in.Format == payload.Sparkplug
		s.stamps = s.stamps || in.Time != nil
		for _, v := range in.Values {
			s.addSeries(v.Quantity)
		}
	}
	d.byID[config.ID] = s
	if config.Retired {
		d.retired = append(d.retired, s)
		if s.room != nil {
			s.room.Past = append(s.room.Past, s)
		}
		return nil
	}
	d.sensors = append(d.sensors, s)
	if s.room != nil {
		s.room.Sensors = append(s.room.Sensors, s)
	}
	for i, in := range config.Inputs {
		// Sparkplug counts its messages: one that comes again would end the session.
		dated := in.Time != nil
		s.inputs = append(s.inputs, &input{sensor: s, topic: in.Topic, decoder: decoders[i], dated: dated})
		d.routes.add(in.Topic, s.inputs[i])
		d.unclaimed.Forget(in.Topic)
	}
	if a := config.Announces; a != nil {
		d.routes.watch(s, a)
		d.unclaimed.Forget(a.Topic)
	}
	return nil
}

// decodersOf makes the decoders of a sensor's inputs and checks that they can
// be listened to. Nothing of a retired sensor is decoded any more.
func decodersOf(config *Config) ([]payload.Decoder, error) {
	if config.Retired {
		return nil, nil
	}
	decoders := make([]payload.Decoder, len(config.Inputs))
	for i, in := range config.Inputs {
		var err error
		if decoders[i], err = payload.New(in); err != nil {
			return nil, fmt.Errorf("sensor %s, topic %s: %w", config.ID, in.Topic, err)
		}
		if err := routable(payload.Filters(decoders[i], in.Topic)); err != nil {
			return nil, fmt.Errorf("sensor %s: %w", config.ID, err)
		}
	}
	return decoders, nil
}

// Check says why a sensor cannot be taken up.
func Check(config Config) error {
	_, err := decodersOf(&config)
	return err
}
