package lookback

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// AlarmRecords answers from the records how the alarms have done and what other
// limits would have made of the past.
type AlarmRecords struct {
	Facility *facility.Facility
	Catalog  *species.Catalog
	Records  *records.Reader
}

// Performance measures the alarms over the last days of the records.
func (d *AlarmRecords) Performance(ctx context.Context, days int) (*AlarmPerformance, error) {
	marks, err := d.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	return Performance(ctx, d.Records, Span{From: marks.Clock.AddDate(0, 0, -days), To: marks.Clock, Location: d.Facility.Site.Location})
}

// Question asks what limits of a room would have made of its last days.
type Question struct {
	Room sensors.RoomID
	Days int
	// Limits are put in place of the room's own where they are set.
	Limits facility.Limits
}

// Answer sets what happened in a room beside what would have happened.
type Answer struct {
	From, To time.Time
	// Happened are the episodes in the records, Would those with the limits
	// tried, each in the order of raising.
	Happened, Would []Episode
	Losses          []population.Count
}

// Bounds on trying limits on a page.
const (
	mostDays = 400
	// lead is how much of a room's air before the days asked for is gone
	// through, so that cohorts are in their stages and the room's habits known.
	lead = 45 * 24 * time.Hour
	// leadGrid is the grid on which that lead is gone through.
	leadGrid = 10 * time.Minute
)

// Check says why a question cannot be asked.
func (q *Question) Check() error {
	if q.Days < 1 || q.Days > mostDays {
		return refuse("%d days cannot be tried; ask for 1 to %d", q.Days, mostDays)
	}
	return nil
}

// WithLimits replays one room with other limits. It tells from time to time
// which share of the past has been gone through, and ends early with ctx.
func (d *AlarmRecords) WithLimits(ctx context.Context, ask Question, progress func(share float64)) (*Answer, error) {
	if err := ask.Check(); err != nil {
		return nil, err
	}
	f, err := d.narrowed(ask)
	if err != nil {
		return nil, err
	}
	marks, err := d.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	out := &Answer{From: marks.Clock.AddDate(0, 0, -ask.Days), To: marks.Clock}
	happened, err := d.Records.AlarmTransitions(ctx, out.From, past.FarFuture())
	if err != nil {
		return nil, err
	}
	begin := out.From.Add(-lead)
	passed := func(at time.Time) { progress(float64(at.Sub(begin)) / float64(out.To.Sub(begin))) }
	would, err := d.steps(ctx, f, out.From, passed)
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
func (d *AlarmRecords) narrowed(ask Question) (*facility.Facility, error) {
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

// steps folds the past of a narrowed facility and returns the steps of its
// alarms. Passed is told how far it has come.
func (d *AlarmRecords) steps(ctx context.Context, f *facility.Facility, from time.Time, passed func(time.Time)) ([]records.AlarmTransition, error) {
	var steps []records.AlarmTransition
	_, err := fold.Replay(ctx, fold.ReplayOptions{
		Options: fold.Options{
			Facility: f, Catalog: d.Catalog, Logger: slog.New(slog.DiscardHandler), ForecastEvery: 24 * time.Hour, Grid: leadGrid,
		},
		Records: d.Records, ReadingsFrom: from.Add(-lead), FineFrom: from.Add(-26 * time.Hour),
		// What was about other rooms' sensors cannot be carried out here.
		Refused: func(error) {},
		Batch: func(b *records.Batch) {
			steps = append(steps, b.Transitions...)
			if n := len(b.Readings); n > 0 {
				passed(b.Readings[n-1].Arrival)
			}
		},
	})
	return steps, err
}

// losses fills in what keepers recorded as lost in the room.
func (d *AlarmRecords) losses(ctx context.Context, room sensors.RoomID, out *Answer) error {
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

func refuse(format string, args ...any) error {
	return fmt.Errorf("%w: %s", fold.ErrRefused, fmt.Sprintf(format, args...))
}
