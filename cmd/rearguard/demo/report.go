package demo

import (
	"context"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
)

// narrate tells what rearguard finds, as it finds it.
func (d *showing) narrate(ctx context.Context, engine *daemon.Engine) {
	stages := make(map[population.CohortID]species.StageID)
	alarms := make(map[alerts.Key]snapshot.Alarm)
	for {
		changed := engine.Changed()
		s := engine.Snapshot()
		for _, c := range s.Cohorts {
			before, known := stages[c.ID]
			if known && before != c.Stage {
				d.say(s.Time, "Cohort %s (%s) is now in %s.", c.ID, c.SpeciesName, c.StageName)
			}
			// Stages are told from the story's beginning on, not while the
			// buffered history is being gone through.
			if known || s.Time.After(d.begin.Add(10*time.Minute)) {
				stages[c.ID] = c.Stage
			}
		}
		d.tellAlarms(s, alarms)
		select {
		case <-ctx.Done():
			return
		case <-changed:
		}
	}
}

func (d *showing) tellAlarms(s *snapshot.Snapshot, before map[alerts.Key]snapshot.Alarm) {
	now := make(map[alerts.Key]bool, len(s.Alarms))
	for _, a := range s.Alarms {
		if !a.Active || a.Under != nil {
			continue
		}
		now[a.Key] = true
		if _, known := before[a.Key]; !known {
			d.say(s.Time, "ALARM  %s %s: %s", a.Priority, place(s, a.Key), a.Title)
		}
		before[a.Key] = a
	}
	for key, a := range before {
		if !now[key] {
			d.say(s.Time, "over   %s: %s", place(s, key), a.Title)
			delete(before, key)
		}
	}
}

// place is where an alarm is, for people.
func place(s *snapshot.Snapshot, key alerts.Key) string {
	for _, r := range s.Rooms {
		if r.ID == key.Room {
			if key.Subject != "" {
				return r.Name + ", " + key.Subject
			}
			return r.Name
		}
	}
	return "rearguard"
}

// Summary is what happened in a run.
type Summary struct {
	Messages         uint64          `json:"messages"`
	Readings         int             `json:"readings"`
	Rooms            int             `json:"rooms"`
	Sensors          int             `json:"sensors"`
	Cohorts          []CohortSummary `json:"cohorts"`
	AlarmsRaised     int             `json:"alarms_raised"`
	AlarmsCleared    int             `json:"alarms_cleared"`
	NoticesDelivered int64           `json:"notices_delivered"`
}

// CohortSummary is one cohort at the end.
type CohortSummary struct {
	ID          population.CohortID `json:"id"`
	Species     species.ID          `json:"species"`
	Room        string              `json:"room"`
	Stage       species.StageID     `json:"stage"`
	ThermalTime float64             `json:"thermal_time_degree_days"`
}

// tally counts what the records hold at the end.
func (d *showing) tally(ctx context.Context, store *records.Store) error {
	for days, err := range store.ScanDays(ctx, nil, time.Time{}, d.begin.AddDate(100, 0, 0)) {
		if err != nil {
			return err
		}
		for _, series := range days {
			d.summary.Readings += series.Len()
		}
	}
	raised, err := store.AlarmHistory(ctx, time.Time{}, d.begin.AddDate(100, 0, 0))
	if err != nil {
		return err
	}
	d.summary.AlarmsRaised = len(raised)
	for _, a := range raised {
		if !a.ClearedAt.IsZero() {
			d.summary.AlarmsCleared++
		}
	}
	totals, err := store.OutboxTotals(ctx)
	for _, t := range totals {
		if t.State == notify.Delivered {
			d.summary.NoticesDelivered += t.Count
		}
	}
	return err
}

// summarise adds to what the records hold how things stand at the end.
func (d *showing) summarise(snapshot *snapshot.Snapshot) *Summary {
	sum := &d.summary
	sum.Rooms, sum.Sensors, sum.Cohorts = len(snapshot.Rooms), len(snapshot.Sensors), []CohortSummary{}
	for _, m := range snapshot.Messages {
		sum.Messages += m.Count
	}
	for _, c := range snapshot.Cohorts {
		sum.Cohorts = append(sum.Cohorts, CohortSummary{c.ID, c.Species, string(c.Room), c.Stage, c.ThermalTime})
	}
	return sum
}
