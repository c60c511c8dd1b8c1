package daemon

import (
	"fmt"
	"time"

	"rearguard/daemon/facility"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// sensorMemory is the part of a checkpoint of one sensor that is about its
// quality and health.
type sensorMemory struct {
	Health sensorHealth            `json:"health"`
	Series []seriesMemory          `json:"series,omitempty"`
	Bench  *benchState             `json:"bench,omitempty"`
	Watch  *calibration.BenchState `json:"watch,omitempty"`
}

type seriesMemory struct {
	Quantity sensors.Quantity   `json:"quantity"`
	Findings []quality.Finding  `json:"findings,omitempty"`
	Flagged  time.Time          `json:"flagged,omitzero"`
	Amended  *quality.Amendment `json:"amended,omitempty"`
}

// unclaimedMemory is the part of a checkpoint about one unclaimed topic.
// Traces are not kept: they are about the last minutes.
type unclaimedMemory struct {
	Topic       string
	First, Last time.Time
	Count       uint64
	Newest      string
	Payloads    []PayloadExcerpt
	Guess       payload.Guess
}

func (s *sensorState) memory() sensorMemory {
	m := sensorMemory{Health: s.health}
	for q, series := range s.series {
		if series != nil && (len(series.findings) > 0 || !series.flagged.IsZero() || series.amended != nil) {
			m.Series = append(m.Series, seriesMemory{sensors.Quantity(q), series.findings, series.flagged, series.amended})
		}
	}
	if s.bench != nil {
		watch := s.bench.bench.State()
		m.Bench, m.Watch = s.bench, &watch
	}
	return m
}

func (s *sensorState) restore(m sensorMemory) error {
	s.health = m.Health
	for _, one := range m.Series {
		if int(one.Quantity) < quantities && s.series[one.Quantity] != nil {
			series := s.series[one.Quantity]
			series.findings, series.flagged, series.amended = one.Findings, one.Flagged, one.Amended
		}
	}
	if m.Bench == nil || m.Watch == nil || int(m.Bench.Quantity) >= quantities || s.series[m.Bench.Quantity] == nil {
		return nil
	}
	s.bench = m.Bench
	s.bench.bench = calibration.NewBench(calibration.DefaultStability(m.Bench.Quantity))
	return s.bench.bench.Restore(*m.Watch)
}

// neighbourStates are the comparisons of a room, for a checkpoint.
func (r *roomState) neighbourStates() []quality.NeighboursState {
	out := make([]quality.NeighboursState, 0, compared)
	for _, n := range r.neighbours {
		out = append(out, n.State())
	}
	return out
}

func (r *roomState) restoreNeighbours(states []quality.NeighboursState) error {
	for i, s := range states {
		if i >= compared {
			break
		}
		if err := r.neighbours[i].Restore(s); err != nil {
			return fmt.Errorf("room %s: %w", r.config.ID, err)
		}
		// Sensors that have left the room since are no neighbours any more.
		for _, m := range s.Members {
			if o := r.sensor(m.ID); o == nil {
				r.neighbours[i].Remove(m.ID)
			}
		}
	}
	return nil
}

func (r *roomState) sensor(id sensors.SensorID) *sensorState {
	for _, s := range r.sensors {
		if s.config.ID == id {
			return s
		}
	}
	return nil
}

func (c *core) unclaimedMemories() []unclaimedMemory {
	out := make([]unclaimedMemory, 0, len(c.unclaimed))
	for topic, t := range c.unclaimed {
		out = append(out, unclaimedMemory{topic, t.first, t.last, t.count, t.newest, t.payloads, t.guess})
	}
	return out
}

func (c *core) restoreUnclaimed(list []unclaimedMemory) {
	for _, m := range list {
		if c.claimed[m.Topic] || len(c.unclaimed) >= unclaimedKept {
			continue
		}
		c.unclaimed[m.Topic] = &unclaimedTopic{
			first: m.First, last: m.Last, count: m.Count, newest: m.Newest, payloads: m.Payloads, guess: m.Guess,
			traces: make(map[string][]quality.TracePoint),
		}
	}
}

// park takes sensors that were claimed later than the fold begins out of a
// facility; their claims bring them in.
func park(f *facility.Facility, later map[sensors.SensorID]bool) (*facility.Facility, map[sensors.SensorID]*facility.Sensor) {
	parked := make(map[sensors.SensorID]*facility.Sensor)
	if len(later) == 0 {
		return f, parked
	}
	kept := *f
	kept.Sensors = nil
	for i := range f.Sensors {
		if s := &f.Sensors[i]; later[s.ID] {
			parked[s.ID] = s
		} else {
			kept.Sensors = append(kept.Sensors, *s)
		}
	}
	return &kept, parked
}
