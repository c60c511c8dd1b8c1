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
	known := make(map[int64]told)
	for {
		changed := engine.Changed()
		s := engine.Snapshot()
		for _, c := range s.Cohorts {
			before, seen := stages[c.ID]
			if seen && before != c.Stage {
				d.say(s.Time, "Cohort %s (%s) is now in %s.", c.ID, c.SpeciesName, c.StageName)
			}
			// Stages are told from the story's beginning on, not while the
			// buffered history is being gone through.
			if seen || s.Time.After(d.begin.Add(10*time.Minute)) {
				stages[c.ID] = c.Stage
			}
		}
		d.tellIncidents(s, known)
		select {
		case <-ctx.Done():
			return
		case <-changed:
		}
	}
}

// told is what was said of an incident.
type told struct {
	alarms  map[alerts.Key]bool
	calls   int
	takenBy string
	going   bool
	over    bool
}

// tellIncidents says of each incident what begins and what it most likely comes
// of, what joins it, that nobody answers, who has it and that it is over.
func (d *showing) tellIncidents(s *snapshot.Snapshot, known map[int64]told) {
	for k := range s.Incidents {
		i := &s.Incidents[k]
		was, seen := known[i.Number]
		if !seen {
			was.alarms = make(map[alerts.Key]bool)
		}
		for n, m := range i.Members {
			switch {
			case was.alarms[m.Key]:
				continue
			case len(was.alarms) == 0:
				d.say(s.Time, "ALARM  %s %s: %s", m.Priority, place(s, m.Key), i.Titles[n])
			default:
				d.say(s.Time, "  also %s %s: %s", m.Priority, place(s, m.Key), i.Titles[n])
			}
			if m.Explains || len(was.alarms) == 0 {
				d.sayCause(s, m.Key)
			}
			was.alarms[m.Key] = true
		}
		over := !i.EndedAt.IsZero()
		switch {
		case over && !was.over:
			d.say(s.Time, "over   %s: %s", place(s, i.Worst().Key), i.Title)
		case seen && i.Calls > was.calls && i.Vain != nil:
			d.say(s.Time, "  no better since %s answered: called again, %s", i.Vain.By, place(s, i.Lead().Key))
		case seen && i.Calls > was.calls && i.TakenBy == "":
			d.say(s.Time, "  nobody has answered: called again, %s", place(s, i.Lead().Key))
		}
		switch {
		case i.TakenBy != "" && i.Going && (i.TakenBy != was.takenBy || !was.going):
			d.say(s.Time, "  %s is going: %s", i.TakenBy, place(s, i.Lead().Key))
		case i.TakenBy != was.takenBy && i.TakenBy != "":
			d.say(s.Time, "  %s has it: %s", i.TakenBy, place(s, i.Lead().Key))
		}
		was.calls, was.takenBy, was.going, was.over = i.Calls, i.TakenBy, i.Going, over
		known[i.Number] = was
	}
}

// sayCause says what an alarm most likely comes of.
func (d *showing) sayCause(s *snapshot.Snapshot, key alerts.Key) {
	for k := range s.Alarms {
		if s.Alarms[k].Key == key {
			d.say(s.Time, "  most likely: %s", s.Alarms[k].Cause)
			return
		}
	}
}

// place is where an alarm is, for people.
func place(s *snapshot.Snapshot, key alerts.Key) string {
	for _, r := range s.Rooms {
		if r.ID == key.Room {
			return alerts.Place(r.Name, key.Subject)
		}
	}
	return "whole facility"
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
	// Incidents are those of which people were told.
	Incidents []IncidentSummary `json:"incidents"`
}

// IncidentSummary is one trouble.
type IncidentSummary struct {
	Room string `json:"room"`
	// Cause is its most urgent alarm, and what that most likely comes of.
	Cause       string `json:"cause"`
	FirstAction string `json:"first_action"`
	// Notices is how many were made for one person by one channel.
	Notices int `json:"notices"`
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
func (d *showing) summarise(s *snapshot.Snapshot) *Summary {
	sum := &d.summary
	sum.Rooms, sum.Sensors, sum.Cohorts = len(s.Rooms), len(s.Sensors), []CohortSummary{}
	for _, m := range s.Messages {
		sum.Messages += m.Count
	}
	sum.Incidents = []IncidentSummary{}
	for k := range s.Incidents {
		if i := &s.Incidents[k]; len(i.Told) > 0 {
			sum.Incidents = append(sum.Incidents, IncidentSummary{string(i.Room), i.Title, i.FirstAction, i.Notices()})
		}
	}
	for _, c := range s.Cohorts {
		sum.Cohorts = append(sum.Cohorts, CohortSummary{c.ID, c.Species, string(c.Room), c.Stage, c.ThermalTime})
	}
	return sum
}
