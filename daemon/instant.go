package daemon

import (
	"slices"
	"time"

	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// handlePending handles the admitted readings in order of arrival. Readings
// that arrived in the same millisecond form one instant and are handled in
// the order of their series, so that replay, which knows nothing finer than
// milliseconds, does exactly the same.
func (c *core) handlePending() error {
	if c.anyLate() {
		if err := c.dropDuplicates(); err != nil {
			return err
		}
	}
	c.order = c.order[:0]
	for i := range c.pending {
		c.order = append(c.order, &c.pending[i])
	}
	slices.SortStableFunc(c.order, byArrival)
	for i := 0; i < len(c.order); {
		arrival := c.order[i].Arrival
		if err := c.advanceTo(arrival); err != nil {
			return err
		}
		for ; i < len(c.order) && c.order[i].Arrival.Equal(arrival); i++ {
			c.take(c.order[i])
		}
		for _, r := range c.rooms {
			if r.touched {
				r.touched = false
				if err := c.watchLevels(r); err != nil {
					return err
				}
			}
		}
	}
	c.pending = c.pending[:0]
	c.countFates()
	return c.journalPresences()
}

func byArrival(a, b *pendingReading) int {
	return sensors.CompareArrival(a.Reading, b.Reading)
}

// take flags one reading and gives it to all that feed on it.
func (c *core) take(p *pendingReading) {
	r := &p.Reading
	r.Value = c.corrections.Apply(r.Series, r.Time, r.Raw)
	r.Flag = c.judge(p)
	c.out.Readings = append(c.out.Readings, *r)
	p.sensor.health.observe(p)
	p.sensor.heard = r.Arrival
	p.sensor.told = later(p.sensor.told, r.Time)
	if r.Time.After(p.state.newest.Time) {
		p.state.newest = *r
		if r.Flag.Usable() {
			p.state.usable = *r
		}
	}
	room := p.sensor.room
	if room == nil {
		return
	}
	room.touched = true
	if s, ok := sample(*r); ok {
		room.track.add(s, r.Arrival)
	}
}

// advanceTo moves the clock and handles the instants of the grid on the way.
func (c *core) advanceTo(now time.Time) error {
	if c.nextTick.IsZero() {
		c.nextTick = now.Truncate(c.watch.grid).Add(c.watch.grid)
	}
	for !c.nextTick.After(now) {
		at := c.nextTick
		c.nextTick = at.Add(c.watch.grid)
		c.clock = later(c.clock, at)
		if err := c.tick(at); err != nil {
			return err
		}
	}
	c.clock = later(c.clock, now)
	return nil
}

// tick handles one instant of the grid.
func (c *core) tick(at time.Time) error {
	if err := c.settle(at.Add(-settleLag)); err != nil {
		return err
	}
	due := c.limitsDue(at)
	if due {
		if err := c.refreshLimits(at); err != nil {
			return err
		}
	} else if err := c.refreshAir(at); err != nil {
		return err
	}
	for _, r := range c.rooms {
		if err := c.watchRoom(r); err != nil {
			return err
		}
		r.remember(at)
	}
	if err := c.watchFacility(); err != nil {
		return err
	}
	if due {
		if err := c.watchCohorts(); err != nil {
			return err
		}
	}
	c.watchHealth(at)
	if c.forecastDue(at) {
		c.findSwaps(at)
		if at.Equal(at.Truncate(max(checkpointEvery, c.forecastEvery))) {
			return c.keepCheckpoint()
		}
	}
	return nil
}

// checkpointEvery is the grid on which the state is kept: a restart handles
// half an hour again in less than a second, and the state of hundreds of
// sensors is not written more often than need be.
const checkpointEvery = 30 * time.Minute

// forecastDue reports whether forecasts are made at an instant of the grid.
// The state is kept at some of these.
func (c *core) forecastDue(at time.Time) bool {
	return at.Equal(at.Truncate(c.forecastEvery))
}

// settle folds the air up to at into rooms and cohorts, and redoes what late
// readings or commands have changed.
func (c *core) settle(at time.Time) error {
	settled := make(map[sensors.RoomID][]roomair.Segment)
	for _, r := range c.rooms {
		id := r.config.ID
		if r.track.late.due(c.clock) {
			if err := c.redoRoom(r); err != nil {
				return err
			}
		}
		r.track.settle(at, r.rules, func(s roomair.Segment) { settled[id] = append(settled[id], s) })
		if mark, ok := r.track.mark(); ok {
			if err := c.keepMark(r, mark); err != nil {
				return err
			}
		}
	}
	c.settledTo = at
	if err := c.settleCohorts(settled, at); err != nil {
		return err
	}
	return c.redoCohorts(at)
}

// redoRoom folds a room's settled air again from the records, from before the
// earliest late reading, and sends the cohorts that breathed it back as well.
func (c *core) redoRoom(r *roomState) error {
	from := r.track.late.From
	r.track.late = lateness{}
	r.track.forget(from)
	c.dropMarks(r, from)
	curve, err := c.curveFrom(r, from, r.track.settled, func(roomair.Segment) {})
	if err != nil {
		return err
	}
	r.track.curve = curve
	r.track.version++
	// The late sample may lie inside a segment that began before it.
	from = from.Add(-c.facility.Ingest.GapLimit)
	for _, s := range c.cohorts {
		if slices.Contains(s.roomsSince(from), r.config.ID) {
			s.redoFrom(from)
		}
	}
	return nil
}
