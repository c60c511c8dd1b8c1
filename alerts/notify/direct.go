package notify

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"rearguard/alerts"
)

// Direct brings one alarm to people without the outbox: the one that says that
// nothing can be written, the outbox included. It is told at most once to each
// person by each channel, and again when it is over; what a crash forgets is
// told again. It belongs to one goroutine.
type Direct struct {
	Channels   map[string]Channel
	Roster     []Duty
	House      House
	Definition alerts.Definition
	Logger     *slog.Logger

	since time.Time
	told  map[string]Notice
	tried time.Time
}

// directPause is the time between attempts.
const directPause = time.Minute

// Look takes in what stands in the way now, empty for nothing, and tells those
// who are still to be told once it has lasted for the on-delay.
func (d *Direct) Look(ctx context.Context, now time.Time, problem string) {
	if problem == "" {
		d.over(ctx, now)
		return
	}
	if d.since.IsZero() {
		d.since, d.told, d.tried = now, map[string]Notice{}, time.Time{}
	}
	if now.Sub(d.since) < d.Definition.OnDelay || !d.tried.IsZero() && now.Sub(d.tried) < directPause {
		return
	}
	d.tried = now
	d.send(ctx, now, Raised, problem, func(key string) bool { _, told := d.told[key]; return !told })
}

// over tells those who heard of the trouble that it has ended.
func (d *Direct) over(ctx context.Context, now time.Time) {
	if d.since.IsZero() {
		return
	}
	told := d.told
	d.send(ctx, now, Cleared, "", func(key string) bool { _, knows := told[key]; return knows })
	d.since, d.told = time.Time{}, nil
}

func (d *Direct) send(ctx context.Context, now time.Time, kind Kind, problem string, wanted func(key string) bool) {
	def := d.Definition
	alarm := AlarmNotice{
		Facility: d.House.Facility, Invented: d.House.Invented, Zone: d.House.Zone, Kind: kind,
		Key: alerts.Key{Condition: def.Condition}, Priority: def.Priority(), Title: def.Title, Detail: problem,
		Cause: def.Cause, Consequence: def.Consequence, FirstAction: def.FirstAction, TimeToRespond: def.TimeToRespond,
		RaisedAt: d.since, Time: now,
	}
	planned, err := Plan(d.Roster, alarm)
	if err != nil {
		d.Logger.Error("the alarm about the records cannot be told", "error", err)
		return
	}
	for _, notice := range planned {
		to := notice.Recipient + "/" + notice.Channel
		channel := d.Channels[notice.Channel]
		if channel == nil || !wanted(to) {
			continue
		}
		// The key carries the beginning, so a receiver knows a repetition.
		notice.Key = fmt.Sprintf("direct-%d-%s/%s", d.since.UnixMilli(), kind, to)
		m := Message{Notice: notice, Alarm: alarm, Now: now}
		m.Subject, m.Body = Render(alarm, now)
		if err := channel.Send(ctx, m); err != nil {
			d.Logger.Error("the alarm about the records did not get out", "to", to, "error", err)
			continue
		}
		if kind == Raised {
			d.told[to] = notice
		}
	}
}
