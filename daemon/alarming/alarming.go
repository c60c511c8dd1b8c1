// Package alarming is the life of all alarms of a facility: what is found out
// about conditions becomes alarms, what becomes of alarms is recorded, and who
// is on the roster is told.
package alarming

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/performance"
	"rearguard/alerts/roster"
	"rearguard/alerts/wording"
	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// Alarms are all alarms of a facility. They belong to one goroutine.
type Alarms struct {
	// Rules turn what is seen of rooms into findings.
	Rules *conditions.Evaluator
	// AtRisk gives the cohorts that an alarm puts at risk.
	AtRisk func(alerts.Key) []letter.Cohort

	machine    *alerts.Machine
	book       *incidents.Book
	roster     *roster.Roster
	escalate   facility.EscalateAfter
	readers    map[string]wording.Reader
	letterhead notify.Letterhead
	rooms      map[sensors.RoomID]string
	calls      *performance.Calls
	// steps and notices are those not collected yet.
	steps   []records.AlarmTransition
	notices []notify.Notice
}

// State is what must outlive a restart.
type State struct {
	Alarms         []alerts.Alarm         `json:"alarms,omitempty"`
	Incidents      incidents.State        `json:"incidents"`
	LastOccurrence int64                  `json:"last_occurrence,omitempty"`
	Calls          performance.CallsState `json:"calls"`
}

// New returns the alarms of a facility of which none has been raised.
func New(f *facility.Facility, invented bool) (*Alarms, error) {
	definitions := tuned(conditions.Definitions(), f.Alarms)
	machine, err := alerts.NewMachine(definitions, conditions.Folding()...)
	if err != nil {
		return nil, err
	}
	a := &Alarms{
		Rules: conditions.NewEvaluator(definitions), machine: machine, book: incidents.NewBook(conditions.Incidents(), f.Incidents.Settle),
		calls: performance.NewCalls(), roster: f.Called(), escalate: f.Incidents.EscalateAfter, readers: Readers(f), rooms: make(map[sensors.RoomID]string),
		letterhead: notify.Letterhead{Facility: f.Site.Name, Invented: invented, Zone: f.Site.Location.String()},
	}
	if base := f.Web.PublicURL; base != "" {
		a.letterhead.Link = func(incident int64) string { return fmt.Sprintf("%s/alarms/incidents/%d", base, incident) }
	}
	machine.Lead(a.book.Leads)
	for i := range f.Rooms {
		a.rooms[f.Rooms[i].ID] = f.Rooms[i].Name
	}
	return a, nil
}

// Readers are the languages and units of the people of the configuration.
func Readers(f *facility.Facility) map[string]wording.Reader {
	out := make(map[string]wording.Reader, len(f.People))
	for i := range f.People {
		out[f.People[i].ID] = f.People[i].Reader(&f.Site)
	}
	return out
}

// tuned lays the configuration's delays, repetitions and deadbands over the conditions'
// own.
func tuned(defs []alerts.Definition, tuning map[alerts.Condition]facility.Tuning) []alerts.Definition {
	for i := range defs {
		t, ok := tuning[defs[i].Condition]
		if !ok {
			continue
		}
		if t.OnDelay != nil {
			defs[i].OnDelay = *t.OnDelay
		}
		if t.OffDelay != nil {
			defs[i].OffDelay = *t.OffDelay
		}
		if t.Repeat != nil {
			defs[i].Repeat = *t.Repeat
		}
		if d := t.Deadband(); d != nil {
			defs[i].Deadband = *d
		}
	}
	return defs
}

// Observe takes in what was found out about conditions.
func (a *Alarms) Observe(found ...alerts.Observation) error {
	for _, o := range found {
		if err := a.run(o.Time); err != nil {
			return err
		}
		if err := a.emit(a.machine.Observe(o)); err != nil {
			return err
		}
		a.book.Note(o)
	}
	return nil
}

// Advance lets delays and silences run up to a time.
func (a *Alarms) Advance(now time.Time) error {
	if err := a.run(now); err != nil {
		return err
	}
	if err := a.emit(a.machine.Advance(now)); err != nil {
		return err
	}
	return a.tell(a.book.Advance(now))
}

// run carries out one after the other what is due up to a time: what alarms do
// depends on their incidents, and these on them.
func (a *Alarms) run(now time.Time) error {
	for {
		at := a.machine.Due()
		if due := a.book.Due(); at.IsZero() || !due.IsZero() && due.Before(at) {
			at = due
		}
		if at.IsZero() || at.After(now) {
			return nil
		}
		if err := a.emit(a.machine.Advance(at)); err != nil {
			return err
		}
		if err := a.tell(a.book.Advance(at)); err != nil {
			return err
		}
	}
}

// Resume takes in that time went on from one instant at another, see
// alerts.Machine.
func (a *Alarms) Resume(from, at time.Time, passed bool) error {
	a.book.Resume(from, at, passed)
	return a.emit(a.machine.Resume(from, at, passed))
}

// Check says why an order cannot be carried out now. It changes nothing.
func (a *Alarms) Check(o alerts.Order) error { return a.machine.Check(o) }

// Carry carries out an order that Check lets pass, on all alarms of the incident
// where that is asked for, to take it on.
func (a *Alarms) Carry(o alerts.Order) error {
	together := []alerts.Key{o.Key}
	if o.Incident && (o.Verb == alerts.Acknowledge || o.Verb == alerts.Going) {
		together = append(together, a.book.Together(o.Key)...)
	}
	for _, o.Key = range together {
		if err := a.emit(a.machine.Carry(o)); err != nil {
			return err
		}
	}
	return nil
}

// Tracks reports whether something about a key is under way.
func (a *Alarms) Tracks(key alerts.Key) bool { return a.machine.Tracks(key) }

// Open are the alarms that are not normal, the most urgent first.
func (a *Alarms) Open() []alerts.Alarm { return a.machine.Alarms() }

// Remembered are all alarms that are known of, normal ones included.
func (a *Alarms) Remembered() []alerts.Alarm { return a.machine.Memory() }

// Definition is that of a condition.
func (a *Alarms) Definition(c alerts.Condition) alerts.Definition {
	def, _ := a.machine.Definition(c)
	return def
}

// Totals are the figures of the alarm system itself as of now.
func (a *Alarms) Totals(now time.Time) performance.Totals { return a.calls.Totals(a.Open(), now) }

// emit records the steps of alarms, and tells what follows of incidents. What an
// incident does not call for calls nobody.
func (a *Alarms) emit(steps []alerts.Transition) error {
	for _, t := range steps {
		if err := a.tell(a.book.Advance(t.Time)); err != nil {
			return err
		}
		def := a.Definition(t.Key.Condition)
		news := a.book.Take(t, def.Priority())
		t.Annunciate = slices.ContainsFunc(news, func(n incidents.News) bool { return n.What == incidents.Call || n.What == incidents.Again })
		a.steps = append(a.steps, records.AlarmTransition{
			Key: t.Key, Occurrence: t.Occurrence, Time: t.Time, From: t.From, To: t.To,
			Who: t.Who, Reason: t.Reason, Event: t.Event, Annunciate: t.Annunciate, Cleared: t.Cleared, Priority: def.Priority(),
		})
		a.calls.Note(t, def.Priority())
		if err := a.tell(news); err != nil {
			return err
		}
	}
	return nil
}

// Incidents are those that are open, and those that ended lately.
func (a *Alarms) Incidents() (open, ended []incidents.Incident) { return a.book.Open(), a.book.Ended() }

// Collect puts what has happened since the last call into a batch.
func (a *Alarms) Collect(b *records.Batch) error {
	b.Transitions, b.Outbox = append(b.Transitions, a.steps...), append(b.Outbox, a.notices...)
	a.steps, a.notices = nil, nil
	for _, ended := range a.book.TakeEnded() {
		b.Incidents = append(b.Incidents, records.IncidentRow{Incident: ended, Priority: ended.Worst().Priority})
	}
	for _, one := range a.machine.TakeChanged() {
		state, err := json.Marshal(one)
		if err != nil {
			return fmt.Errorf("alarm %v: %w", one.Key, err)
		}
		def := a.Definition(one.Key.Condition)
		b.Alarms = append(b.Alarms, records.AlarmRow{
			Key: one.Key, Occurrence: one.Occurrence, Priority: def.Priority(), State: state, Active: one.Active,
			Closed:   one.Quiet(),
			RaisedAt: one.RaisedAt, ClearedAt: one.ClearedAt, AcknowledgedAt: one.AckedAt, AcknowledgedBy: one.AckedBy,
		})
	}
	return nil
}

// State returns what must outlive a restart.
func (a *Alarms) State() State {
	return State{Alarms: a.machine.Memory(), Incidents: a.book.State(), LastOccurrence: a.machine.LastOccurrence(), Calls: a.calls.State()}
}

// Restore puts a state into alarms that have seen nothing yet. It returns those
// of conditions that no longer exist, which are left out.
func (a *Alarms) Restore(st State) []alerts.Alarm {
	a.calls.Restore(st.Calls)
	a.book.Restore(st.Incidents)
	a.machine.SetLastOccurrence(st.LastOccurrence)
	return a.machine.Restore(st.Alarms)
}

// Recall puts the alarms as the records have them in place of those that going
// through the past again gave: whatever is configured now, what people were told
// and did stays so. A running delay of an alarm that the records do not have
// goes on. The next trouble bears a higher number than last.
func (a *Alarms) Recall(ctx context.Context, reader *records.Reader, last int64, now time.Time, logger *slog.Logger) error {
	a.machine.SetLastOccurrence(last)
	rows, err := reader.LoadAlarms(ctx)
	if err != nil {
		return err
	}
	known := make(map[alerts.Key]bool, len(rows))
	list := make([]alerts.Alarm, 0, len(rows))
	for _, row := range rows {
		one := alerts.Alarm{Key: row.Key}
		if err := json.Unmarshal(row.State, &one); err != nil {
			logger.Error("an alarm in the records cannot be read; it is as going through the records again gives it", "alarm", row.Key.String(), "error", err)
			one = a.machine.Alarm(row.Key)
		}
		known[row.Key] = true
		list = append(list, one)
	}
	for _, one := range a.machine.Memory() {
		if !known[one.Key] && one.State() == alerts.Normal {
			list = append(list, one)
		}
	}
	a.book.Reconcile(list, func(c alerts.Condition) alerts.Priority { return a.Definition(c).Priority() }, now)
	for _, gone := range a.machine.Restore(list) {
		logger.Warn("an alarm of a condition that no longer exists is left out", "alarm", gone.Key.String())
	}
	return nil
}
