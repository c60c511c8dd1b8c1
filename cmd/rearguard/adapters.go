package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon"
	"rearguard/daemon/records"
	"rearguard/sensors/broker"
)

// filtersName is the blob that remembers what the broker's session is
// subscribed to.
const filtersName = "broker/filters"

// filterStore keeps the link's filters in the records.
type filterStore struct{ store *records.Store }

// SubscribedFilters implements broker.FilterStore.
func (f filterStore) SubscribedFilters(ctx context.Context) ([]string, error) {
	body, err := f.store.LoadState(ctx, filtersName)
	if errors.Is(err, records.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var filters []string
	if err := json.Unmarshal(body, &filters); err != nil {
		return nil, fmt.Errorf("read %s from the records: %w", filtersName, err)
	}
	return filters, nil
}

// SaveSubscribedFilters implements broker.FilterStore.
func (f filterStore) SaveSubscribedFilters(ctx context.Context, filters []string) error {
	body, err := json.Marshal(filters)
	if err != nil {
		return err
	}
	return f.store.Commit(ctx, &records.Batch{State: map[string][]byte{filtersName: body}})
}

// outbox gives the notifier the records' outbox in its own terms.
type outbox struct{ *records.Store }

func notices(rows []records.OutboxRow) []notify.Notice {
	out := make([]notify.Notice, len(rows))
	for i, r := range rows {
		out[i] = notify.Notice{
			ID: r.ID, Key: r.Key, Occurrence: r.Occurrence, Channel: r.Channel, Recipient: r.Recipient,
			Payload: r.Payload, CreatedAt: r.CreatedAt, DueAt: r.DueAt, Attempts: r.Attempts, State: notify.State(r.State),
		}
	}
	return out
}

// DueNotices implements notify.Outbox.
func (o outbox) DueNotices(ctx context.Context, at time.Time, limit int) ([]notify.Notice, error) {
	rows, err := o.Store.DueNotices(ctx, at, limit)
	return notices(rows), err
}

// Notices implements notify.Outbox.
func (o outbox) Notices(ctx context.Context, occurrence int64) ([]notify.Notice, error) {
	rows, err := o.Store.Notices(ctx, occurrence)
	return notices(rows), err
}

// watchDesk passes on to the engine, until ctx ends, what happens beside it:
// messages the link refused, and what became of notices.
func (s *service) watchDesk(ctx context.Context, unusable *broker.Ring, oversize chan<- daemon.RejectedMessage, notices chan<- daemon.NoticeState) {
	ticker := time.NewTicker(s.tickEvery)
	defer ticker.Stop()
	var seen uint64
	var last daemon.NoticeState
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		total := unusable.Total()
		ring := unusable.Snapshot()
		for _, m := range ring[len(ring)-min(len(ring), int(total-seen)):] {
			select {
			case <-ctx.Done():
				return
			case oversize <- daemon.RejectedMessage{Time: m.Time, Topic: m.Topic, Outcome: "oversize", Reason: m.Reason, Excerpt: daemon.Excerpt(m.Head)}:
			}
		}
		seen = total
		state, err := s.noticeState(ctx)
		if err != nil || state.Equal(last) {
			continue
		}
		last = state
		select {
		case <-ctx.Done():
			return
		case notices <- state:
		}
	}
}

// noticeState counts what became of notices.
func (s *service) noticeState(ctx context.Context) (daemon.NoticeState, error) {
	totals, err := s.store.OutboxTotals(ctx)
	if err != nil {
		return daemon.NoticeState{}, err
	}
	var state daemon.NoticeState
	for _, t := range totals {
		if t.State == records.Pending {
			state.Pending += int(t.Count)
			continue
		}
		state.Totals = append(state.Totals, daemon.NoticeTotal{Channel: t.Channel, Outcome: string(t.State), Count: uint64(t.Count)})
	}
	state.Trouble, err = s.deliveryTrouble(ctx)
	return state, err
}

// givenUpFor is how long a notice that was given up counts as trouble.
const givenUpFor = 24 * time.Hour

// deliveryTrouble is what stands in the way of notices now.
func (s *service) deliveryTrouble(ctx context.Context) (daemon.DeliveryTrouble, error) {
	rows, err := s.store.FailedNotices(ctx, s.clock().Add(-givenUpFor))
	var trouble daemon.DeliveryTrouble
	for _, row := range rows {
		if trouble.Waiting == 0 || row.CreatedAt.Before(trouble.Oldest) {
			trouble.Oldest, trouble.Problem = row.CreatedAt, row.Channel+": "+row.LastError
		}
		trouble.Waiting++
	}
	return trouble, err
}

// The pace of housekeeping, and how long readings stay in the hot table.
const (
	houseEvery = time.Hour
	hotFor     = 36 * time.Hour
)

// keepHouse packs old history and deletes what is past its keeping.
func (s *service) keepHouse(ctx context.Context) error {
	ticker := time.NewTicker(houseEvery)
	defer ticker.Stop()
	for {
		now := s.clock()
		_, err := s.store.Roll(ctx, now.Add(-hotFor))
		if err == nil && s.facility.Records.KeepDays > 0 {
			_, _, err = s.store.Retain(ctx, records.Retention{Now: now, HistoryDays: s.facility.Records.KeepDays})
		}
		if err != nil && ctx.Err() == nil {
			s.logger.Error("history could not be packed; it will be tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}
