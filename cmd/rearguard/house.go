package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/broker"
	"rearguard/sensors/payload"
)

// house is the engine as pages and API see it, with what a command needs
// beside it: a claimed sensor goes into the configuration file and onto the
// broker link as well.
type house struct {
	*daemon.Engine
	link  *broker.Link
	pages *records.Reader
	// config is the configuration file, empty when there is none to write to.
	config string

	mu       sync.Mutex
	facility *facility.Facility
}

// Do implements web.Facility.
func (h *house) Do(ctx context.Context, command daemon.Command) error {
	if claim, ok := command.(daemon.ClaimSensor); ok {
		return h.claim(ctx, claim)
	}
	return h.Engine.Do(ctx, command)
}

// claim writes the sensor into the configuration, has the engine take it up,
// and listens to its topics. The file comes first: a sensor that could not be
// written would be gone after a restart.
func (h *house) claim(ctx context.Context, claim daemon.ClaimSensor) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	known := func(s daemon.SensorView) bool { return s.ID == claim.Sensor.ID }
	if s := h.Snapshot(); slices.ContainsFunc(s.Sensors, known) || slices.ContainsFunc(s.Retired, known) {
		return fmt.Errorf("%w: there is a sensor %s already; give this one another name", daemon.ErrRefused, claim.Sensor.ID)
	}
	if h.config != "" {
		written, err := facility.AddSensor(h.config, claim.Sensor)
		if err != nil {
			var faults facility.Faults
			if errors.As(err, &faults) {
				return fmt.Errorf("%w: %s; %s", daemon.ErrRefused, faults[0].Problem, faults[0].Advice)
			}
			return fmt.Errorf("%w: %w", daemon.ErrRefused, err)
		}
		claim.Sensor = written.Sensors[len(written.Sensors)-1]
	}
	if err := h.Engine.Do(ctx, claim); err != nil {
		return err
	}
	running := *h.facility
	running.Sensors = append(slices.Clone(running.Sensors), claim.Sensor)
	h.facility = &running
	wanted, err := filters(h.facility)
	if err != nil {
		return err
	}
	return h.link.SetFilters(wanted)
}

// History gives the stored readings of a series for a page.
func (h *house) History(ctx context.Context, series sensors.Series, from, to time.Time, yield func(sensors.Reading) bool) error {
	for r, err := range h.pages.Scan(ctx, []sensors.Series{series}, from, to) {
		if err != nil {
			return err
		}
		if !yield(r) {
			return nil
		}
	}
	return nil
}

// requestsWaiting bounds the requests to sensors that wait for the broker; one
// that does not fit is made again by its decoder.
const requestsWaiting = 64

// publishWithin bounds one request to a sensor.
const publishWithin = 5 * time.Second

// askSensors publishes what must be asked of sensors until ctx ends.
func (s *service) askSensors(ctx context.Context, requests <-chan payload.Request) {
	for {
		select {
		case <-ctx.Done():
			return
		case r := <-requests:
			limited, done := context.WithTimeout(ctx, publishWithin)
			err := s.link.Publish(limited, broker.Publication{Topic: r.Topic, Payload: r.Payload})
			done()
			if err != nil && ctx.Err() == nil {
				s.logger.Warn("a sensor could not be asked; it will be asked again", "topic", r.Topic, "error", err)
			}
		}
	}
}
