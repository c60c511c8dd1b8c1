package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
)

// narrate tells what rearguard finds, as it finds it.
func (d *demo) narrate(ctx context.Context, engine *daemon.Engine) {
	stages := make(map[rearing.CohortID]rearing.StageID)
	alarms := make(map[alerts.Key]daemon.AlarmView)
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

func (d *demo) tellAlarms(s *daemon.Snapshot, before map[alerts.Key]daemon.AlarmView) {
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
func place(s *daemon.Snapshot, key alerts.Key) string {
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

// demoSummary is what demo --json prints at its end.
type demoSummary struct {
	Messages         uint64              `json:"messages"`
	Readings         int                 `json:"readings"`
	Rooms            int                 `json:"rooms"`
	Sensors          int                 `json:"sensors"`
	Cohorts          []demoCohortSummary `json:"cohorts"`
	AlarmsRaised     int                 `json:"alarms_raised"`
	AlarmsCleared    int                 `json:"alarms_cleared"`
	NoticesDelivered int64               `json:"notices_delivered"`
}

type demoCohortSummary struct {
	ID          rearing.CohortID  `json:"id"`
	Species     rearing.SpeciesID `json:"species"`
	Room        string            `json:"room"`
	Stage       rearing.StageID   `json:"stage"`
	ThermalTime float64           `json:"thermal_time_degree_days"`
}

// tally counts what the records hold at the end.
func (d *demo) tally(store *records.Store) error {
	ctx := context.WithoutCancel(d.env.ctx)
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
		if t.State == records.Delivered {
			d.summary.NoticesDelivered += t.Count
		}
	}
	return err
}

// summarise prints what happened.
func (d *demo) summarise(snapshot *daemon.Snapshot) error {
	sum := &d.summary
	sum.Rooms, sum.Sensors, sum.Cohorts = len(snapshot.Rooms), len(snapshot.Sensors), []demoCohortSummary{}
	for _, m := range snapshot.Messages {
		sum.Messages += m.Count
	}
	for _, c := range snapshot.Cohorts {
		sum.Cohorts = append(sum.Cohorts, demoCohortSummary{c.ID, c.Species, string(c.Room), c.Stage, c.ThermalTime})
	}
	if d.command.JSON {
		return json.NewEncoder(d.env.out).Encode(sum)
	}
	_, err := fmt.Fprintf(d.tell, "\n%d messages, %d readings stored, %d alarms raised, %d over, %d notices delivered.\n",
		sum.Messages, sum.Readings, sum.AlarmsRaised, sum.AlarmsCleared, sum.NoticesDelivered)
	return err
}
