package fold

import (
	"context"
	"fmt"
	"time"

	"rearguard/daemon/facility"
	"rearguard/sensors/desk"
)

// ClaimSensor takes up a sensor while the daemon runs. The configuration file
// must hold it already, so that it is there after a restart as well.
type ClaimSensor struct {
	Sensor facility.Sensor `json:"sensor"`
	Who    string          `json:"who"`
}

// Kind names the command in the journal.
func (ClaimSensor) Kind() string { return "claim-sensor" }

func (c ClaimSensor) who() string { return c.Who }

func (c ClaimSensor) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	config := c.Sensor
	if f.desk.Sensor(config.ID) != nil {
		// The configuration has had it from the start.
		return nothing, nil
	}
	parked, configured := f.parked[config.ID]
	if configured {
		config = *parked
	}
	if config.Room != "" && f.rooms.by[config.Room] == nil {
		return nil, fmt.Errorf("there is no room %q", config.Room)
	}
	if err := desk.Check(f.facility.Desk(&config)); err != nil {
		return nil, err
	}
	return func() error {
		delete(f.parked, config.ID)
		if err := f.rooms.addSensor(&config); err != nil {
			return err
		}
		f.facility = f.facility.With(&config)
		if !configured {
			f.configuration.Claim(config)
		}
		if f.recorded {
			if err := f.keepConfiguration(); err != nil {
				return err
			}
		}
		f.desk.Sensor(config.ID).Claimed(at)
		return nil
	}, nil
}

// addSensor takes up one configured sensor. After an error nothing of it is
// left.
func (rs *rooms) addSensor(config *facility.Sensor) error {
	if err := rs.desk.Add(rs.facility.Desk(config)); err != nil {
		return err
	}
	if r := rs.by[config.Room]; r != nil {
		// A stretch without readings longer than any sensor's freshness is a
		// gap in the room's air.
		r.track.Rules.MarkAfter = max(r.track.Rules.MarkAfter, rs.desk.Sensor(config.ID).Fresh())
	}
	return nil
}
