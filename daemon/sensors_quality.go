package daemon

import (
	"slices"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// compared are the quantities in which the sensors of a room are compared.
const compared = 2

func comparedQuantities() [compared]sensors.Quantity {
	return [compared]sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity}
}

// newNeighbours are the comparisons of one room.
func newNeighbours() (n [compared]*quality.Neighbours) {
	for i, q := range comparedQuantities() {
		n[i] = quality.NewNeighbours(q, quality.DefaultNeighbourConfig(q))
	}
	return n
}

// checkBench marks the readings of a sensor on the calibration bench, which
// say nothing about the room.
const checkBench quality.Check = "on_bench"

// qualityConfig are the limits of the quality tests for one series.
func (c *core) qualityConfig(s *facility.Sensor, q sensors.Quantity) quality.Config {
	cfg := quality.DefaultConfig(q)
	if s.Place.Outside() {
		cfg = quality.OutdoorConfig(q)
	}
	if r := c.roomBy[s.Room]; r != nil {
		cfg.Climate = r.config.Expected(q, c.facility.Site.Location)
	}
	if s.HeightM != nil {
		cfg.HeightMeters = *s.HeightM
	}
	return cfg
}

// judge flags a reading by the tests of its own series and by its neighbours.
func (c *core) judge(p *pendingReading) sensors.Flag {
	r, state := &p.Reading, p.state
	if p.sensor.bench != nil {
		state.keepFindings([]quality.Finding{{Check: checkBench, Flag: sensors.Fail, Since: p.sensor.bench.Since}}, nil, sensors.Fail, r.Time)
		if r.Quantity == p.sensor.bench.Quantity && !p.late && r.Time.After(p.sensor.bench.Since) {
			p.sensor.bench.bench.Observe(r.Time, r.Raw)
		}
		return sensors.Fail
	}
	flag, own := state.assess.Assess(r.Time, r.Value)
	if a, ok := state.assess.Amendment(); ok {
		c.amend(p, a)
	}
	var others []quality.Finding
	if state.neighbours != nil {
		var verdict sensors.Flag
		verdict, others = state.neighbours.Observe(r.Sensor, r.Time, r.Value, flag)
		flag = quality.Combine(flag, verdict)
	}
	if !p.late {
		state.keepFindings(own, others, flag, r.Time)
	}
	return flag
}

// keepFindings remembers what is wrong with the newest reading. A complaint
// that goes on keeps the time at which it began.
func (s *seriesState) keepFindings(own, others []quality.Finding, flag sensors.Flag, at time.Time) {
	if flag.Usable() {
		s.flagged = time.Time{}
	} else if s.flagged.IsZero() {
		s.flagged = at
	}
	if len(own)+len(others)+len(s.findings) == 0 {
		return
	}
	next := make([]quality.Finding, 0, len(own)+len(others))
	for _, list := range [2][]quality.Finding{own, others} {
		for _, f := range list {
			if f.Flag == sensors.NotEvaluated {
				continue
			}
			i := slices.IndexFunc(s.findings, func(old quality.Finding) bool { return old.Check == f.Check })
			if i >= 0 && s.findings[i].Since.Before(f.Since) {
				f.Since = s.findings[i].Since
			}
			next = append(next, f)
		}
	}
	s.findings = next
}

// amend corrects the flag of the reading before p, now that p shows that it
// was a single spike: in the records, and in the room's curve if it had been
// used there.
func (c *core) amend(p *pendingReading, a quality.Amendment) {
	was := a.Was
	if p.state.newest.Time.Equal(a.Time) {
		was = p.state.newest.Flag
	}
	if a.Flag <= was {
		return
	}
	c.out.Reflags = append(c.out.Reflags, records.Reflag{Series: p.Series, Time: a.Time, Flag: a.Flag})
	kept := a
	p.state.amended = &kept
	if room := p.sensor.room; room != nil && p.Quantity == sensors.Temperature && was.Usable() && !a.Flag.Usable() {
		room.track.withdraw(p.Sensor, a.Time, p.Arrival)
	}
}

// withdraw takes a sample back that was added before.
func (t *track) withdraw(id sensors.SensorID, at, now time.Time) {
	t.version++
	if at.After(t.settled) {
		t.tail = slices.DeleteFunc(t.tail, func(s roomair.Sample) bool { return s.Sensor == id && s.Time.Equal(at) })
		return
	}
	t.goBack(at, now)
}

// goBack has the curve folded again from before a time.
func (t *track) goBack(at, now time.Time) {
	if t.late.From.IsZero() {
		t.late = lateness{From: at, First: now}
	}
	if at.Before(t.late.From) {
		t.late.From = at
	}
	t.late.Last = now
}

// findSwaps looks for exchanged sensors among all rooms.
func (c *core) findSwaps(now time.Time) {
	c.swaps = nil
	for i := range compared {
		all := make([]*quality.Neighbours, 0, len(c.rooms))
		for _, r := range c.rooms {
			all = append(all, r.neighbours[i])
		}
		for _, s := range quality.FindSwaps(all, now) {
			if !slices.ContainsFunc(c.swaps, func(o quality.Swap) bool { return o.A == s.A && o.B == s.B }) {
				c.swaps = append(c.swaps, s)
			}
		}
	}
}

// interrupt makes every series of a sensor begin its comparisons anew.
func (s *sensorState) interrupt() {
	for _, series := range s.series {
		if series == nil {
			continue
		}
		series.assess.Interrupt()
		series.findings, series.flagged = nil, time.Time{}
	}
}
