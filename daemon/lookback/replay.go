package lookback

import (
	"context"
	"log/slog"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
)

// ReplayOptions say what to replay.
type ReplayOptions struct {
	Facility *facility.Facility
	Catalog  *species.Catalog
	Records  *records.Reader
	Logger   *slog.Logger
	// ForecastEvery must be what the live engine had.
	ForecastEvery time.Duration
	// From and To bound the arrival of the events replayed; zero is all.
	From, To time.Time
	// Follow goes by the configurations that were in force, as far as the
	// records know them; without it the one given holds throughout.
	Follow bool
	// Refused, if set, takes what was recorded and cannot be carried out with
	// the configuration; without it that ends the replay.
	Refused func(error)
	// Batch, if set, takes what would have been stored, piece by piece.
	Batch func(*records.Batch)
}

// Replayed is what came of a replay.
type Replayed struct {
	Readings int
	// Transitions are all steps of all alarms, in order.
	Transitions []records.AlarmTransition
	// Notices counts the notices that would have been sent.
	Notices int
	// Final is the state at the end.
	Final *snapshot.Snapshot
	// Progress is that of every cohort, finished ones included.
	Progress map[population.CohortID]*population.Progress
}

// Replay folds recorded history anew. With the configuration that was in
// force it reproduces the live alarms and progress exactly; with another one
// it tells what would have been.
func Replay(ctx context.Context, o ReplayOptions) (*Replayed, error) {
	out := &Replayed{Progress: make(map[population.CohortID]*population.Progress)}
	f, err := fold.Replay(ctx, fold.ReplayOptions{
		Options: fold.Options{Facility: o.Facility, Catalog: o.Catalog, Logger: o.Logger, ForecastEvery: o.ForecastEvery},
		Records: o.Records, From: o.From, To: o.To, Follow: o.Follow, Refused: o.Refused,
		Batch: func(b *records.Batch) {
			out.Readings += len(b.Readings)
			out.Transitions = append(out.Transitions, b.Transitions...)
			out.Notices += len(b.Outbox)
			if o.Batch != nil {
				o.Batch(b)
			}
		},
		Finished: func(id population.CohortID, p *population.Progress) { out.Progress[id] = p },
	})
	if err != nil {
		return nil, err
	}
	out.Final = f.Snapshot()
	for i := range out.Final.Cohorts {
		c := &out.Final.Cohorts[i]
		out.Progress[c.ID] = c.Progress
	}
	return out, nil
}

// LastSnapshot reads the state of a facility out of its records, as of the last
// commit, also while the daemon writes them. Nothing is written.
func LastSnapshot(ctx context.Context, f *facility.Facility, catalog *species.Catalog, reader *records.Reader, logger *slog.Logger) (*snapshot.Snapshot, error) {
	now, err := fold.Restore(ctx, fold.Options{Facility: f, Catalog: catalog, Logger: logger}, reader, nil)
	if err != nil {
		return nil, err
	}
	return now.Snapshot(), nil
}
