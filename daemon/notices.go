package daemon

import (
	"context"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
)

// givenUpFor is how long a notice that was given up counts as trouble.
const givenUpFor = 24 * time.Hour

// overdueAfter is how long something urgent may take to reach somebody: as long
// as it may before rearguard itself raises an alarm.
const overdueAfter = 10 * time.Minute

// NoticesIn counts what has become of the notices in the records, as the engine
// is to be told at a time.
func NoticesIn(ctx context.Context, reader *records.Reader, now time.Time) (snapshot.NoticeState, error) {
	totals, err := reader.OutboxTotals(ctx)
	if err != nil {
		return snapshot.NoticeState{}, err
	}
	var state snapshot.NoticeState
	for _, t := range totals {
		if t.State == notify.Pending {
			state.Pending += int(t.Count)
			continue
		}
		state.Totals = append(state.Totals, snapshot.NoticeTotal{Channel: t.Channel, Outcome: t.State, Count: uint64(t.Count)})
	}
	if state.Overdue, err = records.Overdue(ctx, reader, alerts.High, now.Add(-overdueAfter)); err != nil {
		return state, err
	}
	state.Trouble, err = deliveryTrouble(ctx, reader, now)
	return state, err
}

// deliveryTrouble is what stands in the way of notices now.
func deliveryTrouble(ctx context.Context, reader *records.Reader, now time.Time) (snapshot.DeliveryTrouble, error) {
	rows, err := reader.FailedNotices(ctx, now.Add(-givenUpFor))
	var trouble snapshot.DeliveryTrouble
	for _, row := range rows {
		if trouble.Waiting == 0 || row.CreatedAt.Before(trouble.Oldest) {
			trouble.Oldest, trouble.Problem = row.CreatedAt, row.Channel+": "+row.LastError
		}
		trouble.Waiting++
	}
	return trouble, err
}
