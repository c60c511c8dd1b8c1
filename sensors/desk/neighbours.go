package desk

import (
	"fmt"
	"slices"
	"time"

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

// checkMissing marks a sensor whose messages cannot be understood yet.
const checkMissing quality.Check = "not_understood"

// checkAge marks a sensor of which only readings of unknown age are at hand.
const checkAge quality.Check = "age_unknown"

// qualityConfig are the limits of the quality tests for one series.
func (c *Config) qualityConfig(q sensors.Quantity) quality.Config {
	cfg := quality.DefaultConfig(q)
	if c.Place.Outside() {
		cfg = quality.OutdoorConfig(q)
	}
	if c.Climate != nil {
		cfg.Climate = c.Climate(q)
	}
	if c.HeightM != nil {
		cfg.HeightMeters = *c.HeightM
	}
	return cfg
}

func (s *Sensor) addSeries(q sensors.Quantity) {
	if s.series[q] != nil {
		return
	}
	one := &series{key: sensors.Series{Sensor: s.config.ID, Quantity: q}, assess: quality.NewAssessor(q, s.config.qualityConfig(q))}
	for i, other := range comparedQuantities() {
		if q == other && s.room != nil && !s.config.Retired {
			one.neighbours = s.room.neighbours[i]
		}
	}
	s.series[q] = one
}

// keepFindings remembers what is wrong with the newest reading. A complaint
// that goes on keeps the time at which it began.
func (s *series) keepFindings(own, others []quality.Finding, flag sensors.Flag, at time.Time) {
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

// FindSwaps looks for exchanged sensors among some rooms, in their order.
func (d *Desk) FindSwaps(rooms []sensors.RoomID, now time.Time) {
	d.swaps = nil
	for i := range compared {
		all := make([]*quality.Neighbours, 0, len(rooms))
		for _, id := range rooms {
			all = append(all, d.rooms[id].neighbours[i])
		}
		for _, s := range quality.FindSwaps(all, now) {
			if !slices.ContainsFunc(d.swaps, func(o quality.Swap) bool { return o.A == s.A && o.B == s.B }) {
				d.swaps = append(d.swaps, s)
			}
		}
	}
}

// Disagreement is how far the sensors of a room are apart.
type Disagreement struct {
	Quantity sensors.Quantity
	// Spread is the largest difference between two fresh sensors, each
	// corrected by where it usually stands; Limit is what is still agreement.
	Spread, Limit float64
	Sensors       int
	Raised        bool
}

// Disagreements are how far the sensors of the room are apart, for each
// quantity that at least two of them measure.
func (r *Room) Disagreements(now time.Time) []Disagreement {
	var out []Disagreement
	for i, q := range comparedQuantities() {
		spread, fresh := r.neighbours[i].Disagreement(now)
		if fresh < 2 {
			continue
		}
		limit := quality.DefaultNeighbourConfig(q).Far
		out = append(out, Disagreement{Quantity: q, Spread: spread, Limit: limit, Sensors: fresh, Raised: spread > limit})
	}
	return out
}

// SensorIDs are all sensors that ever measured the room's air.
func (r *Room) SensorIDs() []sensors.SensorID {
	ids := make([]sensors.SensorID, 0, len(r.Sensors)+len(r.Past))
	for _, list := range [2][]*Sensor{r.Sensors, r.Past} {
		for _, s := range list {
			ids = append(ids, s.config.ID)
		}
	}
	return ids
}

func (r *Room) neighbourStates() []quality.NeighboursState {
	out := make([]quality.NeighboursState, 0, compared)
	for _, n := range r.neighbours {
		out = append(out, n.State())
	}
	return out
}

func (r *Room) restoreNeighbours(states []quality.NeighboursState) error {
	for i, s := range states {
		if i >= compared {
			break
		}
		if err := r.neighbours[i].Restore(s); err != nil {
			return fmt.Errorf("room %s: %w", r.id, err)
		}
		// Sensors that have left the room since are no neighbours any more.
		for _, m := range s.Members {
			if !slices.ContainsFunc(r.Sensors, func(s *Sensor) bool { return s.config.ID == m.ID }) {
				r.neighbours[i].Remove(m.ID)
			}
		}
	}
	return nil
}
