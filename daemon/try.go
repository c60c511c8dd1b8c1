package daemon

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"slices"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// AlarmDesk answers from the records how the alarms have done and what other
// limits would have made of the past.
type AlarmDesk struct {
	Facility *facility.Facility
	Catalog  *rearing.Catalog
	Records  *records.Reader
}

// Performance measures the alarms over the last days of the records.
func (d *AlarmDesk) Performance(ctx context.Context, days int) (*AlarmPerformance, error) {
	marks, err := d.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	return Performance(ctx, d.Records, Span{From: marks.Clock.AddDate(0, 0, -days), To: marks.Clock, Location: d.Facility.Site.Location})
}

// TryRequest asks what limits of a room would have made of its last days.
type TryRequest struct {
	Room sensors.RoomID
	Days int
	// Limits are put in place of the room's own where they are set.
	Limits facility.Limits
}

// Tried sets what happened in a room beside what would have happened.
type Tried struct {
	From, To time.Time
	// Happened are the episodes in the records, Would those with the limits
	// tried, each in the order of raising.
	Happened, Would []Episode
	Losses          []rearing.Count
}

// Bounds on trying limits on a page.
const (
	tryMost = 400
	// tryLead is how much of a room's air before the days asked for is gone
	// through, so that cohorts are in their stages and the room's habits known.
	tryLead = 45 * 24 * time.Hour
	// tryCoarse is the grid on which that lead is gone through.
	tryCoarse = 10 * time.Minute
)

// Try replays one room with other limits.
func (d *AlarmDesk) Try(ctx context.Context, ask TryRequest) (*Tried, error) {
	if ask.Days < 1 || ask.Days > tryMost {
		return nil, refuse("%d days cannot be tried; ask for 1 to %d", ask.Days, tryMost)
	}
	f, err := d.narrowed(ask)
	if err != nil {
		return nil, err
	}
	marks, err := d.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	out := &Tried{From: marks.Clock.AddDate(0, 0, -ask.Days), To: marks.Clock}
	happened, err := d.Records.AlarmTransitions(ctx, out.From, farFuture)
	if err != nil {
		return nil, err
	}
	would, err := d.replayRoom(ctx, f, out.From, out.To)
	if err != nil {
		return nil, err
	}
	inRoom := func(steps []records.AlarmTransition) []Episode {
		return Episodes(slices.DeleteFunc(steps, func(s records.AlarmTransition) bool { return s.Key.Room != ask.Room || s.Time.Before(out.From) }))
	}
	out.Happened, out.Would = inRoom(happened), inRoom(would)
	return out, d.losses(ctx, ask.Room, out)
}

// narrowed is the facility with the limits tried and the sensors of one room
// and outdoors only. The other rooms stay, for cohorts stood in them.
func (d *AlarmDesk) narrowed(ask TryRequest) (*facility.Facility, error) {
	f := *d.Facility
	f.Rooms = slices.Clone(f.Rooms)
	i := slices.IndexFunc(f.Rooms, func(r facility.Room) bool { return r.ID == ask.Room })
	if i < 0 {
		return nil, refuse("there is no room %q", ask.Room)
	}
	f.Rooms[i].Limits = ask.Limits.Over(f.Rooms[i].Limits)
	l := f.Rooms[i].Limits
	if l.HeatCelsius != nil && l.ChillCelsius != nil && *l.HeatCelsius <= *l.ChillCelsius {
		return nil, refuse("heat limit %g °C is not above cold limit %g °C", *l.HeatCelsius, *l.ChillCelsius)
	}
	f.Sensors = slices.DeleteFunc(slices.Clone(f.Sensors), func(s facility.Sensor) bool {
		return s.Room != ask.Room && s.Place != sensors.Outdoor
	})
	return &f, nil
}

// replayRoom folds the past of a narrowed facility and returns the steps.
func (d *AlarmDesk) replayRoom(ctx context.Context, f *facility.Facility, from, to time.Time) ([]records.AlarmTransition, error) {
	c, err := newCore(coreOptions{facility: f, catalog: d.Catalog, logger: slog.New(slog.DiscardHandler), forecastEvery: 24 * time.Hour})
	if err != nil {
		return nil, err
	}
	c.history = readerHistory{ctx: ctx, reader: d.Records, clock: func() time.Time { return c.clock }}
	c.watch.grid = tryCoarse
	fine := from.Add(-26 * time.Hour)
	var steps []records.AlarmTransition
	handle := func(event recorded) error {
		if c.watch.grid == tryCoarse && event.arrival().After(fine) {
			c.watch.grid = tickEvery
		}
		if len(c.pending) > 0 && (event.entry != nil || len(c.pending) >= replayBatch && event.arrival().After(c.pending[len(c.pending)-1].Arrival)) {
			if err := c.handlePending(); err != nil {
				return err
			}
			steps = append(steps, c.out.Transitions...)
			*c.out = records.Batch{}
		}
		if event.entry == nil {
			c.readmit(event.reading)
			return nil
		}
		// What was about other rooms' sensors cannot be carried out here.
		if err := c.reapply(*event.entry); err != nil && !errors.Is(err, ErrRefused) {
			return err
		}
		return nil
	}
	src := lateStart{d.Records, from.Add(-tryLead)}
	for event, err := range past(ctx, src, time.Time{}, to.Add(time.Hour)) {
		if err != nil {
			return nil, fmt.Errorf("read recorded history: %w", err)
		}
		if err := handle(event); err != nil {
			return nil, err
		}
	}
	if err := errors.Join(c.handlePending(), c.advanceTo(to)); err != nil {
		return nil, err
	}
	return append(steps, c.out.Transitions...), nil
}

// losses fills in what keepers recorded as lost in the room.
func (d *AlarmDesk) losses(ctx context.Context, room sensors.RoomID, out *Tried) error {
	cohorts, err := d.Records.LoadCohorts(ctx)
	if err != nil {
		return err
	}
	counts, err := d.Records.LoadCounts(ctx)
	for _, count := range counts {
		if count.Lost == 0 || count.Undone || count.Time.Before(out.From) {
			continue
		}
		for i := range cohorts {
			if at, ok := cohorts[i].RoomAt(count.Time); ok && cohorts[i].ID == count.Cohort && at == room {
				out.Losses = append(out.Losses, count)
			}
		}
	}
	return err
}

// lateStart is a source whose readings begin later than its journal.
type lateStart struct {
	*records.Reader
	readingsFrom time.Time
}

// ScanArrival implements source.
func (s lateStart) ScanArrival(ctx context.Context, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return s.Reader.ScanArrival(ctx, later(from, s.readingsFrom), to)
}
