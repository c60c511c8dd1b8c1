package fold

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/standing"
	"rearguard/sensors/desk"
)

// Configure puts another configuration into force: at a start when the file was
// changed meanwhile, and whenever it is read again. The state is handed over as
// a checkpoint would hand it over.
type Configure struct {
	Path string `json:"path"`
	Text string `json:"text"`
	Who  string `json:"who"`

	facility *facility.Facility
	catalog  *species.Catalog
}

// NewConfigure is Configure with a configuration that was read already.
func NewConfigure(f *facility.Facility, catalog *species.Catalog, who string) Configure {
	return Configure{Path: f.Path, Text: f.Text, Who: who, facility: f, catalog: catalog}
}

// Kind names the command in the journal.
func (Configure) Kind() string { return "configure" }

func (c Configure) who() string { return c.Who }

func (c Configure) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	if f.fixed {
		return nothing, nil
	}
	if c.Text == "" {
		return nil, errors.New("there is no configuration file to read again")
	}
	if c.Text == f.configuration.Text && len(f.configuration.Claimed) == 0 {
		return f.keepConfiguration, nil
	}
	if f.desk.Intake.Held() > 0 {
		return nil, errUnread
	}
	next, err := c.takeOver(f, at)
	if err != nil {
		return nil, err
	}
	return func() error { return f.become(next) }, nil
}

// takeOver is a fold of the configuration with the state of f.
func (c Configure) takeOver(f *Fold, at time.Time) (*Fold, error) {
	o := f.given
	switch {
	case c.facility != nil:
		o.Facility, o.Catalog = c.facility, c.catalog
	case c.Text != o.Facility.Text:
		var err error
		if o.Facility, o.Catalog, err = standing.Parse(c.Path, c.Text); err != nil {
			return nil, err
		}
	}
	o.Grid = f.grid
	next, err := build(o, f.past, nil)
	if err != nil {
		return nil, err
	}
	body, err := f.checkpoint()
	if err != nil {
		return nil, err
	}
	var cp checkpoint
	if err := json.Unmarshal(body, &cp); err != nil {
		return nil, fmt.Errorf("hand over the state: %w", err)
	}
	cp.Stays = cp.Stays.After(f.facility.Sensors, o.Facility.Sensors, f.rooms.rules.Fresh, at)
	next.given, next.stepped = f.given, f.stepped
	next.configuration = f.configuration.Follows(o.Facility, standing.WithoutFit(next.cohorts.Catalog, f.cohorts.all))
	if err := next.load(cp); err != nil {
		return nil, err
	}
	return next, nil
}

// become makes f the fold that took its state over.
func (f *Fold) become(next *Fold) error {
	if err := f.alarms.Collect(f.out.batch); err != nil {
		return err
	}
	if err := f.desk.TakeMemory(true, f.out.batch.KeepState); err != nil {
		return err
	}
	next.ground.out = f.out
	*next.own = *f.own
	desk.Inherit(next.desk, f.desk, f.clock)
	next.cohorts.finished = f.cohorts.finished
	for _, r := range f.rooms.list {
		if now := next.rooms.by[r.config.ID]; now != nil {
			now.recent = r.recent
		}
	}
	*f = *next
	if err := f.keepConfiguration(); err != nil {
		return err
	}
	return errors.Join(f.watch.lost(), f.watch.endOrphans(), f.keepCheckpoint())
}

// keepConfiguration puts the configuration in force into the next commit.
func (f *Fold) keepConfiguration() error {
	body, err := json.Marshal(f.configuration)
	if err != nil {
		return fmt.Errorf("configuration: %w", err)
	}
	f.recorded = true
	f.out.batch.KeepState(standing.Name, body)
	return nil
}

// NoteConfiguration puts the configuration that the daemon was started with into
// force, if it is not the one of the records.
func (f *Fold) NoteConfiguration(ctx context.Context, o *Options) error {
	if o.Facility.Text == "" || f.recorded && f.configuration.Is(o.Facility) {
		return nil
	}
	return f.record(ctx, NewConfigure(o.Facility, o.Catalog, "configuration"))
}
