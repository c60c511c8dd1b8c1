package service

import (
	"context"
	"errors"
	"fmt"
	"os"
	"reflect"
	"strings"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/strict"
	"rearguard/dashboards/web/technician"
)

// reloadOn reads the configuration again whenever a signal comes, until ctx
// ends.
func (s *service) reloadOn(ctx context.Context, signals <-chan os.Signal) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-signals:
			if err := s.site.reload(ctx, "signal"); err != nil {
				s.Logger.Error("the configuration was not taken, and the one before goes on", "file", s.Config, "error", err)
				continue
			}
			now := s.site.Configuration()
			s.Logger.Info("the configuration was read again", "file", s.Config, "needs_a_restart", strings.Join(now.Restart, ", "))
		}
	}
}

// reload reads the configuration file again and puts it into force: all of it,
// or with a fault in it nothing.
func (e *claimingEngine) reload(ctx context.Context, who string) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	next := *e.now.Load()
	err := e.read(ctx, who, &next)
	if err != nil && !errors.Is(err, daemon.ErrNotRecorded) {
		next.state.Problem, next.state.ProblemAt = err.Error(), e.clock()
	} else {
		next.state.Problem, next.state.ReadAt, next.state.By = "", e.clock(), who
		next.state.Restart = needRestart(e.started, next.facility)
	}
	e.now.Store(&next)
	return err
}

// read reads the file and puts it into force; into holds it then.
func (e *claimingEngine) read(ctx context.Context, who string, into *inForce) error {
	if e.config == "" {
		return fmt.Errorf("%w: there is no configuration file to read again", fold.ErrRefused)
	}
	next, err := facility.Load(e.config)
	if err != nil {
		return refusedFile(e.config, err)
	}
	catalog, err := species.CatalogOf(next.Species)
	if err != nil {
		return refusedFile(e.config, err)
	}
	built, err := e.channels(next)
	if err != nil {
		return refusedFile(e.config, err)
	}
	told, err := targets(next)
	if err != nil {
		return refusedFile(e.config, err)
	}
	wanted, err := filters(next)
	if err != nil {
		return refusedFile(e.config, err)
	}
	err = e.Engine.Do(ctx, fold.NewConfigure(next, catalog, who))
	if err != nil && !errors.Is(err, daemon.ErrNotRecorded) {
		return err
	}
	into.use(next)
	into.catalog = catalog
	for _, use := range e.useChannels {
		use(built)
	}
	e.useTargets(told)
	return errors.Join(err, e.link.SetFilters(wanted))
}

// refusedFile says all that is wrong with a file, and with those that it names, in
// one line each.
func refusedFile(file string, err error) error {
	var faults strict.Faults
	if !errors.As(err, &faults) {
		return fmt.Errorf("%w: %w", fold.ErrRefused, err)
	}
	lines := make([]string, len(faults))
	for i, f := range faults {
		lines[i] = fmt.Sprintf("line %d: %s: %s", f.Line, f.Problem, f.Advice)
		if f.File != file {
			lines[i] = f.File + ", " + lines[i]
		}
	}
	return fmt.Errorf("%w: %s", fold.ErrRefused, strings.Join(lines, "; "))
}

// needRestart names what differs between the configuration that the daemon was
// started with and one that was read since, and is not changed while it runs.
func needRestart(started, now *facility.Facility) []string {
	var names []string
	add := func(name string, a, b any) {
		if !reflect.DeepEqual(a, b) {
			names = append(names, name)
		}
	}
	add("records.path", started.Records.Path, now.Records.Path)
	add("records.synchronous", started.Records.Synchronous, now.Records.Synchronous)
	add("web", started.Web, now.Web)
	before, after := started.Broker, now.Broker
	before.Discover, after.Discover = nil, nil
	add("broker", before, after)
	return names
}

// Configuration is how the configuration in force came to be so.
func (e *claimingEngine) Configuration() technician.Configuration { return e.now.Load().state }

// alarmRecords answers from the records by the configuration in force.
type alarmRecords struct{ *service }

func (a alarmRecords) now() *lookback.AlarmRecords {
	in := a.site.now.Load()
	return &lookback.AlarmRecords{Facility: in.facility, Catalog: in.catalog, Records: a.store.Pages()}
}

// Performance measures the alarms over the last days of the records.
func (a alarmRecords) Performance(ctx context.Context, days int) (*lookback.AlarmPerformance, error) {
	return a.now().Performance(ctx, days)
}

// Incidents are those that ended in the last days of the records.
func (a alarmRecords) Incidents(ctx context.Context, days int) ([]snapshot.Incident, error) {
	return a.now().Incidents(ctx, days)
}

// Incident is the ended one of a number.
func (a alarmRecords) Incident(ctx context.Context, number int64) (*snapshot.Incident, error) {
	return a.now().Incident(ctx, number)
}

// WithLimits replays one room with other limits.
func (a alarmRecords) WithLimits(ctx context.Context, ask lookback.Question, progress func(share float64)) (*lookback.Answer, error) {
	return a.now().WithLimits(ctx, ask, progress)
}
