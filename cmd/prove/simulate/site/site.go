// Package site is the configuration of an invented facility as it stands in its
// file, to be edited and read again.
package site

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// Site is the configuration as it stands in its file.
type Site struct {
	Rooms   []Room
	Sensors []Sensor
	// OnMinutes is the on-delay of heat; -1 for the condition's own.
	OnMinutes int
	// WithoutMoth is set once the species of some cohorts is taken out.
	WithoutMoth bool
}

// Room is one room of the file.
type Room struct {
	ID            sensors.RoomID
	HeatC, ChillC float64
}

// Sensor is one sensor of the file.
type Sensor struct {
	ID      sensors.SensorID
	Room    sensors.RoomID
	Device  *world.Sensor
	Retired bool
	// Unclaimed sensors are on the network and not in the file.
	Unclaimed bool
	// Renamed are when it was given another name, by the daemon's time.
	Renamed []time.Time
}

// people are told by phone; both are.
const people = `
people: [{id: lead, name: Lead, email: lead@example.org}, {id: keeper, name: Keeper, email: keeper@example.org}]
channels: [{id: phone, kind: email, smtp: {host: localhost, from: rearguard@example.org, tls: none}}]
roster: [{who: [lead, keeper], channels: [phone], priorities: [low, medium, high, critical]}]
`

// text is the configuration file.
func (s *Site) text() string {
	var b strings.Builder
	b.WriteString("facility: {name: Invented House, timezone: UTC}\n" +
		"broker: {address: \"tcp://127.0.0.1:1883\", client_id: sim}\n" +
		"records: {keep_days: 30}\n" +
		"ingest: {age_limit: 720h, gap_limit: 168h}\nrooms:\n")
	for _, m := range s.Rooms {
		fmt.Fprintf(&b, "  - {id: %s, limits: {heat_celsius: %g, chill_celsius: %g}}\n", m.ID, m.HeatC, m.ChillC)
	}
	if slices.ContainsFunc(s.Sensors, func(one Sensor) bool { return !one.Unclaimed }) {
		b.WriteString("sensors:\n")
	}
	for _, one := range s.Sensors {
		if one.Unclaimed {
			continue
		}
		b.WriteString(one.text())
	}
	if s.OnMinutes >= 0 {
		fmt.Fprintf(&b, "alarms: {heat: {on_delay: %dm}}\n", s.OnMinutes)
	}
	b.WriteString("species:\n")
	if !s.WithoutMoth {
		fmt.Fprintf(&b, speciesEntry, Moth)
	}
	fmt.Fprintf(&b, speciesEntry, Fly)
	b.WriteString(people)
	return b.String()
}

func (one *Sensor) text() string {
	return fmt.Sprintf("  - {id: %s, room: %s, retired: %t, %s, inputs: [%s]}\n",
		one.ID, one.Room, one.Retired, one.Device.Habit(), one.Device.Input())
}

// Parse reads the file as the daemon does.
func (s *Site) Parse() (*facility.Facility, error) {
	return facility.Parse("facility.yaml", []byte(s.text()))
}

// Room is a room of the file, nil for none.
func (s *Site) Room(id sensors.RoomID) *Room {
	i := slices.IndexFunc(s.Rooms, func(m Room) bool { return m.ID == id })
	if i < 0 {
		return nil
	}
	return &s.Rooms[i]
}

// Hears reports whether the file has a device listened to.
func (s *Site) Hears(device *world.Sensor) bool {
	return slices.ContainsFunc(s.Sensors, func(one Sensor) bool { return one.Device == device && !one.Unclaimed && !one.Retired })
}

// SensorsIn are the sensors of a room that are listened to.
func (s *Site) SensorsIn(id sensors.RoomID) []*Sensor {
	var list []*Sensor
	for i := range s.Sensors {
		if one := &s.Sensors[i]; one.Room == id && !one.Retired && !one.Unclaimed {
			list = append(list, one)
		}
	}
	return list
}

// OnDelay is how many minutes it must be too hot before that is an alarm.
func (s *Site) OnDelay() int {
	if s.OnMinutes >= 0 {
		return s.OnMinutes
	}
	return usualOnDelay
}

// usualOnDelay is heat's own on-delay in minutes.
const usualOnDelay = 5

// The invented species. They develop by degree-days above one threshold in all
// stages, so that a plain integral tells how far they are.
const (
	Moth       species.ID = "invented-moth"
	Fly        species.ID = "invented-fly"
	ThresholdC            = 10.0
)

// speciesEntry is the entry of an invented species, to be filled with its name.
const speciesEntry = `  - id: %s
    common_name: 'Invented %[1]s'
    reared_for: simulation
    host_plant: none
    limits: {heat_celsius: 45, chill_celsius: 0, source: invented, assumed: true}
    stages:
      - {id: egg, lower_celsius: 10, requirement_degree_days: 60, source: invented, assumed: true}
      - {id: larva-1, lower_celsius: 10, requirement_degree_days: 200, source: invented, assumed: true}
      - {id: pupa, lower_celsius: 10, requirement_degree_days: 200, source: invented, assumed: true}
      - {id: adult}
`

// Catalogs are the species that runs know: all, and all but the moth.
type Catalogs struct{ Full, withoutMoth *species.Catalog }

// NewCatalogs reads the invented species.
func NewCatalogs() (c Catalogs, err error) {
	of := func(s Site) (*species.Catalog, error) {
		s.Rooms = []Room{{ID: "room", HeatC: 30}}
		f, err := s.Parse()
		if err != nil {
			return nil, err
		}
		return species.CatalogOf(f.Species)
	}
	if c.Full, err = of(Site{OnMinutes: -1}); err != nil {
		return c, err
	}
	c.withoutMoth, err = of(Site{OnMinutes: -1, WithoutMoth: true})
	return c, err
}

// Of is the catalog of a configuration.
func (c Catalogs) Of(s *Site) *species.Catalog {
	if s.WithoutMoth {
		return c.withoutMoth
	}
	return c.Full
}
