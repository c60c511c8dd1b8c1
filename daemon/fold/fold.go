// Package fold is the state of a facility as a fold over events: readings,
// commands of people, the passing of time, and how rearguard's own parts
// stand. Live, restart, replay and trying other limits are the same fold over
// the same events, so they decide alike.
//
// The fold never reads a clock and never writes a disk. What is to be stored
// it hands over in batches; what it must know of the past it asks of a Past,
// and while that cannot answer it puts off what depends on it and goes on.
package fold

import (
	"errors"
	"log/slog"
	"time"

	"rearguard/daemon/alarming"
	"rearguard/daemon/course"
	"rearguard/daemon/facility"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/standing"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
)

// fineGrid is the grid of event time on which everything that depends on
// time alone is evaluated: delays, silence, dose. Live, demo and replay share
// the grid, so they decide at the same instants.
const fineGrid = 30 * time.Second

// settleLag is how far the settled part of thermal time stays behind the
// clock. Readings that arrive out of order within it cost nothing extra.
const settleLag = 5 * time.Minute

// Options are what a fold is built from.
type Options struct {
	Facility *facility.Facility
	Catalog  *species.Catalog
	Logger   *slog.Logger
	// Invented marks the data as a made-up scenario on every page.
	Invented bool
	// ForecastEvery is how much event time passes between forecasts; ten
	// minutes if zero.
	ForecastEvery time.Duration
	// Grid is how much event time passes between full evaluations, a whole
	// fraction of ten minutes; half a minute if zero.
	Grid time.Duration
	// KeepAfter is after how many readings the state is kept at the latest;
	// 200,000 if zero.
	KeepAfter int
}

// ground is what all parts of a fold stand on.
type ground struct {
	facility *facility.Facility
	logger   *slog.Logger
	// forecastEvery is the grid of event time on which cohorts are forecast,
	// grid that on which everything is evaluated.
	forecastEvery, grid time.Duration
	// keepAfter is after how many readings the state is kept.
	keepAfter int
	// clock is the arrival of the last event handled; nextTick the next
	// instant of the grid; resumed when the daemon last began to listen.
	clock, nextTick, resumed time.Time
	// lead is by how much arrivals are recorded later than they are.
	lead past.Lead
	desk *desk.Desk
	past past.Past
	out  *output
}

// forecastDue reports whether forecasts are made at an instant of the grid.
// The state is kept at some of these.
func (g *ground) forecastDue(at time.Time) bool { return at.Equal(at.Truncate(g.forecastEvery)) }

// after is the first instant of the grid after a time.
func (g *ground) after(t time.Time) time.Time { return t.Truncate(g.grid).Add(g.grid) }

// limitsEvery is the grid of event time on which progress and forecasts may
// change the limits; commands change them at once.
const limitsEvery = 10 * time.Minute

// limitsDue reports whether limits are brought up to date at an instant.
func (g *ground) limitsDue(at time.Time) bool {
	return g.forecastDue(at) || at.Equal(at.Truncate(limitsEvery))
}

// Fold is the state of one facility. It belongs to one goroutine.
type Fold struct {
	*ground
	rooms    *rooms
	cohorts  *cohorts
	alarms   *alarming.Alarms
	own      *own
	watch    *watch
	invented bool
	kinds    kindsByName
	// parked are sensors of the configuration that a later event brings in.
	parked map[sensors.SensorID]*facility.Sensor
	// overtaken waits to be flagged, stepped is set until the next instant of
	// the grid after the clock was moved; handled counts the readings since the
	// state was last kept.
	overtaken []past.Overtaken
	stepped   bool
	handled   int
	// given is what the fold was first built from; configuration is the one in
	// force. It holds from beginning to end when fixed is set.
	// The records hold it when recorded is set.
	given           Options
	configuration   standing.Configuration
	fixed, recorded bool
}

// output collects what the next commit stores.
type output struct{ batch *records.Batch }

// rewritten stores a cohort of which the times were moved.
func (o *output) rewritten(c *course.Course) {
	o.batch.Cohorts, o.batch.Counts = append(o.batch.Cohorts, c.Cohort), append(o.batch.Counts, c.Counts...)
}

// New returns the fold of a facility at the beginning of its time.
func New(o Options, history past.Past) (*Fold, error) { return build(o, history, nil) }

// build makes a fold in which some sensors are still to be claimed.
func build(o Options, history past.Past, claimedLater map[sensors.SensorID]bool) (*Fold, error) {
	if o.ForecastEvery == 0 {
		o.ForecastEvery = 10 * time.Minute
	}
	if o.Grid == 0 {
		o.Grid = fineGrid
	}
	if o.KeepAfter == 0 {
		o.KeepAfter = keepAfter
	}
	g := &ground{
		logger: o.Logger, forecastEvery: o.ForecastEvery, grid: o.Grid, keepAfter: o.KeepAfter, past: history, out: &output{batch: &records.Batch{}},
	}
	f := &Fold{
		ground: g, own: &own{}, invented: o.Invented, kinds: byName(kinds()),
		given: o, configuration: standing.Configuration{Path: o.Facility.Path, Text: o.Facility.Text},
	}
	f.facility, f.parked = o.Facility.Without(claimedLater)
	f.desk = desk.New(desk.Rules{FutureTolerance: o.Facility.Ingest.FutureTolerance, AgeLimit: o.Facility.Ingest.AgeLimit}, o.Facility.RoomIDs())
	f.rooms = newRooms(g)
	f.cohorts = newCohorts(g, f.rooms, o.Catalog)
	var err error
	if f.alarms, err = alarming.New(o.Facility, o.Invented); err != nil {
		return nil, err
	}
	if f.watch, err = newWatch(f); err != nil {
		return nil, err
	}
	f.alarms.AtRisk = f.watch.threatened
	for i := range f.facility.Sensors {
		if err := f.rooms.addSensor(&f.facility.Sensors[i]); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// Clock is the arrival of the last event handled.
func (g *ground) Clock() time.Time { return g.clock }

// recordedClock is the clock as the records have it. It is asked of the fold
// that is in force and not of what one stood on.
func (f *Fold) recordedClock() time.Time { return f.lead.Recorded(f.clock) }

// errUnread refuses a command that needs a past which cannot be read now.
var errUnread = errors.New("the records cannot be read now, and nothing was changed; try again")

// TakeBatch takes what is to be stored next, nil if that is nothing.
func (f *Fold) TakeBatch() (*records.Batch, error) {
	out := f.out.batch
	if err := f.alarms.Collect(out); err != nil {
		return nil, err
	}
	things := len(out.Readings) + len(out.Reflags) + len(out.Journal) + len(out.Alarms) + len(out.Transitions) + len(out.Incidents) + len(out.Outbox) + len(out.Cohorts) + len(out.Counts)
	if err := f.desk.TakeMemory(things > 0, f.out.batch.KeepState); err != nil {
		return nil, err
	}
	if things+len(out.State) == 0 {
		return nil, nil
	}
	out.Clock = f.recordedClock()
	f.out.batch = &records.Batch{}
	return out, nil
}

// Untaken is what the next TakeBatch will hold so far. It must not be changed.
func (g *ground) Untaken() *records.Batch { return g.out.batch }

// TakeRequests returns what is to be published to sensors.
func (g *ground) TakeRequests() []payload.Request { return g.desk.TakeRequests() }

// Converse asks what there is to ask of sensors, as time passes.
func (g *ground) Converse(now time.Time) { g.desk.Converse(now) }

// NoteRefused counts messages that were refused before they came here.
func (g *ground) NoteRefused(r desk.Refused) { g.desk.Intake.NoteRefused(r) }

// PutOff reports what stands in the way of reading the past, empty if nothing
// does, and whether messages are held back for it.
func (f *Fold) PutOff() (problem string, held int) {
	return f.own.arrears.Problem, f.desk.Intake.Held()
}
