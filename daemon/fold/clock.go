package fold

import (
	"context"
	"errors"
	"time"

	"rearguard/daemon/past"
	"rearguard/daemon/roomair"
	"rearguard/sensors/desk"
)

// AdvanceTo moves the clock and handles the instants of the grid on the way.
func (f *Fold) AdvanceTo(ctx context.Context, now time.Time) error {
	if f.nextTick.IsZero() {
		f.nextTick = f.after(now)
	}
	for !f.nextTick.After(now) {
		at := f.nextTick
		f.nextTick = at.Add(f.grid)
		f.clock = desk.Later(f.clock, at)
		if err := f.tick(ctx, at); err != nil {
			return err
		}
	}
	f.clock = desk.Later(f.clock, now)
	return nil
}

// tick handles one instant of the grid.
func (f *Fold) tick(ctx context.Context, at time.Time) error {
	if err := f.settle(ctx, at.Add(-settleLag)); err != nil {
		return err
	}
	due := f.limitsDue(at) || f.stepped
	if f.stepped {
		// It was expected by another clock.
		f.stepped = false
		f.expectAnew()
	}
	if due {
		if err := f.refreshLimits(at); err != nil {
			return err
		}
	} else if err := f.cohorts.refreshAir(at); err != nil {
		return err
	}
	outdoorC := f.desk.OutdoorC(f.clock)
	for _, r := range f.rooms.list {
		if err := f.watch.room(r, outdoorC); err != nil {
			return err
		}
		r.recent.Remember(at, func() roomair.Air { return roomair.AirOf(r.sensors.Sensors, at) })
	}
	if err := errors.Join(f.watch.itself(), f.watch.lost()); err != nil {
		return err
	}
	if due {
		if err := f.watch.allCohorts(); err != nil {
			return err
		}
	}
	f.desk.NoteSilence(at, desk.Later(f.own.link.Since, f.resumed))
	if f.forecastDue(at) {
		f.desk.FindSwaps(f.facility.RoomIDs(), at)
		if at.Equal(at.Truncate(max(checkpointEvery, f.forecastEvery))) {
			return f.keepCheckpoint()
		}
	}
	return nil
}

// settle folds the air up to at into rooms and cohorts, and redoes what late
// readings have changed. What cannot be read now is redone later.
func (f *Fold) settle(ctx context.Context, at time.Time) error {
	before := f.own.arrears.Times
	flags, left, err := past.FlagAll(ctx, f.past, f.overtaken)
	f.out.batch.Reflags, f.overtaken = append(f.out.batch.Reflags, flags...), left
	if err != nil {
		if err := f.own.arrears.PutOff(past.Unreadable{Err: err}, f.logger); err != nil {
			return err
		}
	}
	for _, r := range f.rooms.kept {
		if r.track.Late.Due(f.clock) {
			if err := f.own.arrears.PutOff(f.redoRoom(ctx, r), f.logger); err != nil {
				return err
			}
		}
	}
	settled, err := f.rooms.settle(at)
	if err != nil {
		return err
	}
	for _, c := range f.cohorts.list {
		if err := c.Settle(settled, f.rooms.track, at); err != nil {
			return err
		}
		if err := f.own.arrears.PutOff(c.Redo(f.rooms.pastOf(ctx), f.rooms.track, at), f.logger); err != nil {
			return err
		}
	}
	f.rooms.redone = nil
	if f.own.arrears.Times == before && f.desk.Intake.Held() == 0 {
		f.own.arrears.MadeUp(f.logger)
	}
	return nil
}
