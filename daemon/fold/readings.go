package fold

import (
	"context"
	"time"

	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Admit takes one message in. It is handled with the next Handle.
func (g *ground) Admit(m sensors.Message) { g.desk.Admit(m, g.clock) }

// Handle handles what was admitted, in order of arrival, each instant after
// the time up to it has passed.
func (f *Fold) Handle(ctx context.Context) error {
	err := f.desk.Order(f.clock, func(series sensors.Series, at time.Time) (bool, error) {
		stored, err := f.past.Has(ctx, series, at)
		if err != nil {
			err = past.Unreadable{Err: err}
		}
		return stored, err
	})
	if err := f.own.arrears.PutOff(err, f.logger); err != nil {
		return err
	}
	for {
		arrival, more := f.desk.Intake.Next()
		if !more {
			break
		}
		if err := f.AdvanceTo(ctx, arrival); err != nil {
			return err
		}
		f.desk.Take(f.take)
		for _, r := range f.rooms.list {
			if r.touched {
				r.touched = false
				if err := f.watch.levels(r); err != nil {
					return err
				}
			}
		}
	}
	f.desk.Finish()
	err = f.desk.Presences.Take(func(p desk.Presence) error {
		return f.record(ctx, presenceEvent{Sensor: p.Sensor, Here: p.Here})
	})
	if err != nil {
		return err
	}
	return f.desk.OwnClocks.Take(func(c desk.OwnClock) error { return f.record(ctx, ownClockEvent{c}) })
}

// take gives one reading to all that feed on it.
func (f *Fold) take(t desk.Taken) {
	f.handled++
	out := f.out.batch
	stored := t.Reading
	stored.Arrival = f.lead.Recorded(t.Arrival)
	out.Readings = append(out.Readings, stored)
	room := f.rooms.measuredBy(f.desk.Sensor(t.Sensor), t.Time)
	if a := t.Amended; a != nil {
		out.Reflags = append(out.Reflags, records.Reflag{Series: a.Series, Time: a.Time, Flag: a.Flag})
		if room != nil && t.Quantity == sensors.Temperature && a.Was.Usable() && !a.Flag.Usable() {
			room.track.Withdraw(t.Sensor, a.Time, t.Arrival)
		}
	}
	if room == nil {
		return
	}
	room.touched = true
	room.memory.Trend = room.memory.Trend.Recall(&t.Reading, f.clock)
	if s, ok := roomair.SampleOf(t.Reading); ok {
		room.track.Add(s, t.Arrival)
	}
}
