package daemon

import (
	"time"

	"rearguard/alerts/conditions"
	"rearguard/sensors"
)

// houseEvent is how rearguard's own parts stand that lie outside the fold: it
// is journaled whenever it changes, since alarms follow from it.
type houseEvent struct {
	Store    PartTrouble     `json:"store,omitzero"`
	Delivery DeliveryTrouble `json:"delivery,omitzero"`
}

// Kind implements Command.
func (houseEvent) Kind() string { return "house" }

// PartTrouble is what is wrong with a part; the zero value is nothing.
type PartTrouble struct {
	Since   time.Time `json:"since,omitzero"`
	Problem string    `json:"problem,omitempty"`
}

// DeliveryTrouble is what stands in the way of notices; zero for nothing.
type DeliveryTrouble struct {
	// Waiting counts notices that were tried in vain, Oldest is when the
	// first of them was written, Problem what the last attempt met with.
	Waiting int       `json:"waiting,omitempty"`
	Oldest  time.Time `json:"oldest,omitzero"`
	Problem string    `json:"problem,omitempty"`
}

// differs reports whether the change is worth an event: how many wait changes
// with every notice and says little.
func (d DeliveryTrouble) differs(o DeliveryTrouble) bool {
	return (d.Waiting == 0) != (o.Waiting == 0) || !d.Oldest.Equal(o.Oldest) || d.Problem != o.Problem
}

// noteHouse journals how rearguard's parts stand, if that has changed.
func (c *core) noteHouse(now houseEvent) error {
	if now.Store == c.watch.house.Store && !now.Delivery.differs(c.watch.house.Delivery) {
		return nil
	}
	return c.journal(now)
}

// watchFacility evaluates the conditions of rearguard itself, and what can be
// told of all rooms together.
func (c *core) watchFacility() error {
	house := &c.watch.house
	in := conditions.FacilityState{
		Now: c.clock, Location: c.facility.Site.Location,
		Broker: conditions.PartState{
			Known: !c.link.Since.IsZero(), Working: c.link.Connected && c.link.Subscribed,
			Since: c.link.Since, Name: c.link.Address, Problem: c.link.Problem,
		},
		Store: conditions.PartState{
			Known: true, Working: house.Store.Problem == "",
			Since: house.Store.Since, Name: "the database file", Problem: house.Store.Problem,
		},
		Undelivered: house.Delivery.Waiting, OldestUndelivered: house.Delivery.Oldest, DeliveryProblem: house.Delivery.Problem,
		ClockOffset: c.clockOffset(),
	}
	for _, r := range c.rooms {
		if len(r.sensors) > 0 {
			in.Rooms = append(in.Rooms, r.sign)
		}
	}
	for _, o := range conditions.EvaluateFacility(in) {
		if err := c.observe(o); err != nil {
			return err
		}
	}
	return nil
}

// clockOffset is by how much this machine's clock is ahead of the clocks of
// the sensors that stamp their readings, nil while none is heard. One sensor
// that agrees shows that the others are wrong, or late; only when all of them
// are off to one side is it this machine, and then by the least of them.
func (c *core) clockOffset() *time.Duration {
	var least, most time.Duration
	heard := false
	for _, s := range c.sensors {
		lag, ok := s.lag(c.clock)
		if !ok {
			continue
		}
		if !heard {
			least, most, heard = lag, lag, true
		}
		least, most = min(least, lag), max(most, lag)
	}
	offset := time.Duration(0)
	switch {
	case !heard:
		return nil
	case least > 0:
		offset = least
	case most < 0:
		offset = most
	}
	return &offset
}

// lag is how long after its own time the newest reading of a sensor arrived,
// and false for a sensor that stamps none or is silent.
func (s *sensorState) lag(now time.Time) (time.Duration, bool) {
	stamps := false
	for _, in := range s.config.Inputs {
		stamps = stamps || in.Time != nil
	}
	t := s.series[sensors.Temperature]
	if !stamps || t == nil || t.newest.Time.IsZero() || now.Sub(t.newest.Arrival) > s.staleAfter() {
		return 0, false
	}
	return t.newest.Arrival.Sub(t.newest.Time), true
}
