package simulate

import (
	"fmt"
	"slices"
	"strings"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// site is the configuration as it stands in its file.
type site struct {
	rooms   []siteRoom
	sensors []siteSensor
	// onMinutes is the on-delay of heat; -1 for the condition's own.
	onMinutes int
	// withoutMoth is set once the species of some cohorts is taken out.
	withoutMoth bool
}

type siteRoom struct {
	id            sensors.RoomID
	heatC, chillC float64
}

type siteSensor struct {
	id      sensors.SensorID
	room    sensors.RoomID
	device  *sensor
	retired bool
	// unclaimed sensors are on the network and not in the file.
	unclaimed bool
}

// people are told by phone; both are.
const people = `
people: [{id: lead, name: Lead, email: lead@example.org}, {id: keeper, name: Keeper, email: keeper@example.org}]
channels: [{id: phone, kind: email, smtp: {host: localhost, from: rearguard@example.org, tls: none}}]
roster: [{who: [lead, keeper], channels: [phone], priorities: [low, medium, high, critical]}]
`

// text is the configuration file.
func (s *site) text() string {
	var b strings.Builder
	b.WriteString("facility: {name: Invented House, timezone: UTC}\n" +
		"broker: {address: \"tcp://127.0.0.1:1883\", client_id: sim}\n" +
		"records: {keep_days: 30}\n" +
		"ingest: {age_limit: 720h, gap_limit: 168h}\nrooms:\n")
	for _, m := range s.rooms {
		fmt.Fprintf(&b, "  - {id: %s, limits: {heat_celsius: %g, chill_celsius: %g}}\n", m.id, m.heatC, m.chillC)
	}
	if slices.ContainsFunc(s.sensors, func(one siteSensor) bool { return !one.unclaimed }) {
		b.WriteString("sensors:\n")
	}
	for _, one := range s.sensors {
		if one.unclaimed {
			continue
		}
		b.WriteString(one.text())
	}
	if s.onMinutes >= 0 {
		fmt.Fprintf(&b, "alarms: {heat: {on_delay: %dm}}\n", s.onMinutes)
	}
	b.WriteString("species:\n")
	if !s.withoutMoth {
		fmt.Fprintf(&b, speciesEntry, moth)
	}
	fmt.Fprintf(&b, speciesEntry, fly)
	b.WriteString(people)
	return b.String()
}

func (one *siteSensor) text() string {
	return fmt.Sprintf("  - {id: %s, room: %s, retired: %t, interval: %dm, inputs: [%s]}\n",
		one.id, one.room, one.retired, one.device.plan.Interval, one.device.input())
}

// parse reads the file as the daemon does.
func (s *site) parse() (*facility.Facility, error) {
	return facility.Parse("facility.yaml", []byte(s.text()))
}

// room is a room of the file, nil for none.
func (s *site) room(id sensors.RoomID) *siteRoom {
	i := slices.IndexFunc(s.rooms, func(m siteRoom) bool { return m.id == id })
	if i < 0 {
		return nil
	}
	return &s.rooms[i]
}

// hears reports whether the file has a device listened to.
func (s *site) hears(device *sensor) bool {
	return slices.ContainsFunc(s.sensors, func(one siteSensor) bool { return one.device == device && !one.unclaimed && !one.retired })
}

// sensorsIn are the sensors of a room that are listened to.
func (s *site) sensorsIn(id sensors.RoomID) []*siteSensor {
	var list []*siteSensor
	for i := range s.sensors {
		if one := &s.sensors[i]; one.room == id && !one.retired && !one.unclaimed {
			list = append(list, one)
		}
	}
	return list
}

// onDelay is how many minutes it must be too hot before that is an alarm.
func (s *site) onDelay() int {
	if s.onMinutes >= 0 {
		return s.onMinutes
	}
	return usualOnDelay
}

// usualOnDelay is heat's own on-delay in minutes.
const usualOnDelay = 5

// The invented species. They develop by degree-days above one threshold in all
// stages, so that a plain integral tells how far they are.
const (
	moth       species.ID = "invented-moth"
	fly        species.ID = "invented-fly"
	thresholdC            = 10.0
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

// catalogs are the species that runs know: all, and all but the moth.
type catalogs struct{ full, withoutMoth *species.Catalog }

func newCatalogs() (c catalogs, err error) {
	of := func(s site) (*species.Catalog, error) {
		s.rooms = []siteRoom{{id: "room", heatC: 30}}
		f, err := s.parse()
		if err != nil {
			return nil, err
		}
		return species.CatalogOf(f.Species)
	}
	if c.full, err = of(site{onMinutes: -1}); err != nil {
		return c, err
	}
	c.withoutMoth, err = of(site{onMinutes: -1, withoutMoth: true})
	return c, err
}

// of is the catalog of a configuration.
func (c catalogs) of(s *site) *species.Catalog {
	if s.withoutMoth {
		return c.withoutMoth
	}
	return c.full
}
