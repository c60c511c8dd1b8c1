package desk

import (
	"fmt"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/quality"
	"rearguard/sensors/unclaimed"
)

// State is what must outlive a restart. Readings that wait are not in it: it
// is taken between two rounds.
type State struct {
	Sensors      []sensorState                                `json:"sensors,omitempty"`
	Neighbours   map[sensors.RoomID][]quality.NeighboursState `json:"neighbours,omitempty"`
	Certificates []calibration.InForce                        `json:"certificates,omitempty"`
	Unclaimed    []unclaimed.State                            `json:"unclaimed,omitempty"`
	LetGo        int                                          `json:"unclaimed_let_go,omitempty"`
	Taken        time.Time                                    `json:"taken,omitzero"`
	Deaf         time.Time                                    `json:"deaf,omitzero"`
	SessionLost  time.Time                                    `json:"session_lost,omitzero"`
	SessionsLost uint64                                       `json:"sessions_lost,omitempty"`
}

type sensorState struct {
	ID     sensors.SensorID `json:"id"`
	Heard  time.Time        `json:"heard,omitzero"`
	Told   time.Time        `json:"told,omitzero"`
	Joined time.Time        `json:"joined,omitzero"`
	Health health           `json:"health"`
	// Clock says what is wrong with the sensor's own clock, ClockSince since
	// when.
	Clock      string    `json:"clock,omitempty"`
	ClockSince time.Time `json:"clock_since,omitzero"`
	// Undated is nil where there is none.
	Undated *undated                `json:"undated,omitempty"`
	Series  []seriesState           `json:"series,omitempty"`
	Bench   *calibration.Session    `json:"bench,omitempty"`
	Seen    *calibration.BenchState `json:"seen_on_bench,omitempty"`
}

type seriesState struct {
	Newest   sensors.Reading    `json:"newest"`
	Usable   sensors.Reading    `json:"usable"`
	Quality  quality.State      `json:"quality"`
	Findings []quality.Finding  `json:"findings,omitempty"`
	Flagged  time.Time          `json:"flagged,omitzero"`
	Amended  *quality.Amendment `json:"amended,omitempty"`
	Quantity sensors.Quantity   `json:"quantity"`
}

// State returns what must outlive a restart. It shares memory with the desk
// and is to be written out before the desk goes on.
func (d *Desk) State() State {
	st := State{
		Neighbours:   make(map[sensors.RoomID][]quality.NeighboursState, len(d.rooms)),
		Certificates: d.calibrations.Certificates(), Unclaimed: d.unclaimed.State(), LetGo: d.unclaimed.LetGo(), Deaf: d.deaf, SessionLost: d.lost, SessionsLost: d.losses, Taken: d.taken,
	}
	for _, s := range d.sensors {
		st.Sensors = append(st.Sensors, s.state())
	}
	for id, r := range d.rooms {
		st.Neighbours[id] = r.neighbourStates()
	}
	return st
}

func (s *Sensor) state() sensorState {
	st := sensorState{ID: s.config.ID, Heard: s.heard, Told: s.told, Joined: s.joined, Health: s.health, Clock: s.clock.fault, ClockSince: s.clock.since}
	for q, one := range s.series {
		if one != nil {
			st.Series = append(st.Series, seriesState{
				Quantity: sensors.Quantity(q), Newest: one.newest, Usable: one.usable, Quality: one.assess.State(),
				Findings: one.findings, Flagged: one.flagged, Amended: one.amended,
			})
		}
	}
	if s.undated.Count > 0 {
		st.Undated = &s.undated
	}
	if s.bench != nil {
		seen := s.bench.Seen()
		st.Bench, st.Seen = s.bench, &seen
	}
	return st
}

// Restore puts a state into a desk that knows its sensors and has handled
// nothing. What is about sensors that are no longer there is left out.
func (d *Desk) Restore(st State) error {
	var err error
	if d.calibrations, err = calibration.NewRegister(st.Certificates); err != nil {
		return fmt.Errorf("calibrations: %w", err)
	}
	d.taken = st.Taken
	for _, one := range st.Sensors {
		if s := d.byID[one.ID]; s != nil {
			if err := s.restore(one); err != nil {
				return fmt.Errorf("sensor %s: %w", one.ID, err)
			}
		}
	}
	for id, states := range st.Neighbours {
		if r := d.rooms[id]; r != nil {
			if err := r.restoreNeighbours(states); err != nil {
				return err
			}
		}
	}
	d.unclaimed.Restore(st.Unclaimed, st.LetGo, d.routes.claimed)
	d.deaf, d.lost, d.losses = st.Deaf, st.SessionLost, st.SessionsLost
	return nil
}

func (s *Sensor) restore(st sensorState) error {
	s.heard, s.told, s.joined, s.health = st.Heard, st.Told, st.Joined, st.Health
	s.clock.fault, s.clock.since = st.Clock, st.ClockSince
	if st.Undated != nil {
		s.undated = *st.Undated
	}
	for _, saved := range st.Series {
		if int(saved.Quantity) >= quantities || s.series[saved.Quantity] == nil {
			continue
		}
		one := s.series[saved.Quantity]
		one.newest, one.usable = saved.Newest, saved.Usable
		one.findings, one.flagged, one.amended = saved.Findings, saved.Flagged, saved.Amended
		if err := one.assess.Restore(saved.Quality); err != nil {
			return err
		}
	}
	if st.Bench == nil || st.Seen == nil || int(st.Bench.Quantity) >= quantities || s.series[st.Bench.Quantity] == nil {
		return nil
	}
	s.bench = st.Bench
	return s.bench.Resume(*st.Seen)
}
