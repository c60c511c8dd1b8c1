package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"rearguard/alerts/notify"
	"rearguard/alerts/relay"
	"rearguard/alerts/roster"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/strict"
	"rearguard/dashboards/web/technician"
	"rearguard/sensors"
	"rearguard/sensors/broker"
	"rearguard/sensors/desk"
)

// claimingEngine is the engine as pages and API see it. A sensor that is
// claimed on a page goes into the configuration file and onto the broker link
// as well, and the file is read again when a page asks for it.
type claimingEngine struct {
	*daemon.Engine
	link *broker.Link
	// config is the configuration file, empty when there is none to write to.
	config string

	clock func() time.Time
	proof *proving
	// channels builds the channels of a configuration.
	channels func(*facility.Facility) (map[string]notify.Channel, error)
	// useChannels replace the channels of those who deliver notices.
	useChannels []func(map[string]notify.Channel)
	// useTargets replaces the Alertmanagers.
	useTargets func([]relay.Target)
	// started is the configuration that the daemon was started with.
	started *facility.Facility

	// mu lets one change of the configuration follow the other; now is the one
	// in force, also while a change is under way.
	mu  sync.Mutex
	now atomic.Pointer[inForce]
}

// inForce is a configuration with its species, and how it came to be in force.
// It is never changed.
type inForce struct {
	facility *facility.Facility
	// roster is that of the facility, worked out once: delivery asks for it with
	// every notice.
	roster  *roster.Roster
	catalog *species.Catalog
	state   technician.Configuration
}

// use puts a configuration in force.
func (i *inForce) use(f *facility.Facility) { i.facility, i.roster = f, f.Called() }

func (e *claimingEngine) Do(ctx context.Context, command fold.Command) error {
	switch c := command.(type) {
	case fold.ClaimSensor:
		return e.claim(ctx, c)
	case fold.Configure:
		return e.reload(ctx, c.Who)
	}
	return e.Engine.Do(ctx, command)
}

// claim writes the sensor into the configuration, has the engine take it up,
// and listens to its topics. The file comes first: a sensor that could not be
// written would be gone after a restart.
func (e *claimingEngine) claim(ctx context.Context, claim fold.ClaimSensor) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	known := func(v desk.View) bool { return v.ID == claim.Sensor.ID }
	if now := e.Snapshot(); slices.ContainsFunc(now.Sensors, known) || slices.ContainsFunc(now.Retired, known) {
		return fmt.Errorf("%w: there is a sensor %s already; give this one another name", fold.ErrRefused, claim.Sensor.ID)
	}
	if e.config != "" {
		written, err := facility.AddSensor(e.config, claim.Sensor)
		if err != nil {
			var faults strict.Faults
			if errors.As(err, &faults) {
				return fmt.Errorf("%w: %s; %s", fold.ErrRefused, faults[0].Problem, faults[0].Advice)
			}
			return fmt.Errorf("%w: %w", fold.ErrRefused, err)
		}
		claim.Sensor = written.Sensors[len(written.Sensors)-1]
	}
	if err := e.Engine.Do(ctx, claim); err != nil {
		return err
	}
	next := *e.now.Load()
	next.use(next.facility.With(&claim.Sensor))
	e.now.Store(&next)
	wanted, err := filters(next.facility)
	if err != nil {
		return err
	}
	return e.link.SetFilters(wanted)
}

// history gives the stored readings of a series for a page.
func (s *service) history(ctx context.Context, series sensors.Series, from, to time.Time, yield func(sensors.Reading) bool) error {
	for r, err := range s.store.Pages().Scan(ctx, []sensors.Series{series}, from, to) {
		if err != nil {
			return err
		}
		if !yield(r) {
			return nil
		}
	}
	return nil
}
