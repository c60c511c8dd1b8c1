package main

import (
	"context"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
)

// watchRecordsEvery is how often the state of the records is looked at.
const watchRecordsEvery = 5 * time.Second

// watchRecords tells people by hand, so to speak, while the records cannot be
// written: the outbox cannot take that notice.
func (s *service) watchRecords(ctx context.Context, channels map[string]notify.Channel) {
	direct := notify.Direct{
		Channels: channels, Logger: s.logger,
		House: notify.House{Facility: s.facility.Site.Name, Invented: s.invented, Zone: s.facility.Site.Location.String()},
	}
	for _, d := range s.facility.Roster {
		direct.Roster = append(direct.Roster, notify.Duty{People: d.Who, Channels: d.Channels, Priorities: d.Priorities})
	}
	for _, d := range conditions.Definitions() {
		if d.Condition == conditions.StoreFailing {
			direct.Definition = d
		}
	}
	ticker := time.NewTicker(watchRecordsEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			direct.Look(ctx, s.clock(), s.engine.Snapshot().Store.Problem)
		}
	}
}
