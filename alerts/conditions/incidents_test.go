package conditions_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/incidents"
	"rearguard/sensors"
)

var day = time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC)

// desk is the machine with the book behind it, as the daemon puts them
// together, and what it told.
type desk struct {
	t       *testing.T
	machine *alerts.Machine
	book    *incidents.Book
	told    []string
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	defs := conditions.Definitions()
	for i := range defs {
		defs[i].OnDelay, defs[i].OffDelay = 0, 0
	}
	machine, err := alerts.NewMachine(defs, conditions.Folding()...)
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, machine: machine, book: incidents.NewBook(conditions.Incidents(), 20*time.Minute)}
	machine.Lead(d.book.Leads)
	return d
}

func (d *desk) take(steps []alerts.Transition) {
	for _, s := range steps {
		def, _ := d.machine.Definition(s.Key.Condition)
		d.tell(d.book.Advance(s.Time))
		d.tell(d.book.Take(s, def.Priority()))
	}
}

func (d *desk) tell(news []incidents.News) {
	for _, n := range news {
		d.told = append(d.told, fmt.Sprintf("%s %s %s", n.Time.Format("15:04"), n.What, n.Incident.About().Key.Condition))
	}
}

// at is a time of the day.
func (d *desk) at(clock string) time.Time {
	d.t.Helper()
	c, err := time.Parse("15:04", clock)
	if err != nil {
		d.t.Fatal(err)
	}
	return day.Truncate(24 * time.Hour).Add(time.Duration(c.Hour())*time.Hour + time.Duration(c.Minute())*time.Minute)
}

// pass lets time pass.
func (d *desk) pass(clock string) {
	for at := d.machine.Due(); !at.IsZero() && at.Before(d.at(clock)); at = d.machine.Due() {
		d.take(d.machine.Advance(at))
	}
	d.take(d.machine.Advance(d.at(clock)))
	d.tell(d.book.Advance(d.at(clock)))
}

// find has something be found about a room at a time.
func (d *desk) find(clock string, c alerts.Condition, room sensors.RoomID, truth alerts.Truth, number ...float64) {
	d.t.Helper()
	d.pass(clock)
	o := alerts.Observation{Key: alerts.Key{Condition: c, Room: room}, Time: d.at(clock), Truth: truth}
	if len(number) == 2 {
		o.Value, o.Limit, o.Unit = number[0], number[1], "°C"
	}
	d.take(d.machine.Observe(o))
	d.book.Note(o)
}

func (d *desk) acknowledge(clock string, c alerts.Condition, room sensors.RoomID) {
	d.t.Helper()
	d.pass(clock)
	for _, key := range d.book.Together(alerts.Key{Condition: c, Room: room}) {
		d.take(d.machine.Carry(alerts.Order{Verb: alerts.Acknowledge, Key: key, Who: "Ines", Incident: true}))
	}
}

func (d *desk) want(told ...string) {
	d.t.Helper()
	if diff := cmp.Diff(told, d.told); diff != "" {
		d.t.Errorf("told (-want +got):\n%s", diff)
	}
}

// A heater is welded shut: air becomes dry, then hot, and cools too fast once the
// door is open. One conversation, with what to do in order and no contradiction.
func TestStuckHeaterIsOneIncident(t *testing.T) {
	d := newDesk(t)
	d.find("09:40", conditions.FastChange, "pupae", alerts.True, 9, 8)
	d.find("10:50", conditions.HeatApproaching, "pupae", alerts.True, 31, 32)
	d.find("11:15", conditions.Drying, "pupae", alerts.True, 1.6, 1.1)
	d.find("11:45", conditions.Heat, "pupae", alerts.True, 32.2, 32)
	d.find("11:50", conditions.HeaterStuckOn, "pupae", alerts.True)
	d.find("12:00", conditions.Heat, "pupae", alerts.True, 34.1, 32)
	open := d.book.Open()
	if len(open) != 1 || len(open[0].Members) != 5 {
		t.Fatalf("incidents %+v", open)
	}
	definition := func(c alerts.Condition) alerts.Definition {
		def, _ := d.machine.Definition(c)
		return def
	}
	if steps := open[0].Steps(definition); !strings.HasPrefix(steps[0], "Switch the heater off") || slices.ContainsFunc(steps, func(s string) bool { return strings.Contains(s, "close the vents") }) {
		t.Errorf("to do: %q", steps)
	}
	d.acknowledge("12:05", conditions.Heat, "pupae")
	for _, a := range d.machine.Alarms() {
		if a.Active && !a.Acked {
			t.Errorf("%v is not taken on", a.Key)
		}
	}
	d.find("13:10", conditions.Heat, "pupae", alerts.True, 33, 32)
	d.find("13:15", conditions.Heat, "pupae", alerts.False, 30, 32)
	d.find("13:15", conditions.HeaterStuckOn, "pupae", alerts.False)
	d.find("13:16", conditions.Drying, "pupae", alerts.False, 0.9, 1.1)
	d.find("13:20", conditions.FastChange, "pupae", alerts.True, 25, 8)
	d.find("13:30", conditions.DaySwing, "pupae", alerts.True, 15, 12)
	d.pass("15:00")
	// The heater is still on an hour after somebody took it on.
	d.want("09:40 call fast_change", "11:45 call heat", "12:05 taken heater_stuck_on", "13:05 again heater_stuck_on", "13:36 over heater_stuck_on")
	ended := d.book.Ended()
	if len(ended) != 1 {
		t.Fatalf("ended %+v", ended)
	}
	peak := ended[0].Members[slices.IndexFunc(ended[0].Members, func(m incidents.Member) bool { return m.Key.Condition == conditions.Heat })].Peak
	if peak.Value != 34.1 || !peak.At.Equal(d.at("12:00")) || peak.Limit != 32 {
		t.Errorf("peak %+v", peak)
	}
}

// What is worse than all that is on calls again, also while somebody has it; what
// is not calls nobody. Once what was worse is over, the rest is news again only
// as long as nobody has it.
func TestWorseCallsAgain(t *testing.T) {
	d := newDesk(t)
	d.find("09:00", conditions.Damp, "eggs", alerts.True)
	d.acknowledge("09:10", conditions.Damp, "eggs")
	d.find("10:00", conditions.MouldRisk, "eggs", alerts.True)
	d.find("10:30", conditions.Condensation, "eggs", alerts.True)
	d.find("11:00", conditions.Chill, "eggs", alerts.True, 14, 16)
	d.find("11:30", conditions.Chill, "eggs", alerts.False, 18, 16)
	d.find("12:00", conditions.Chill, "eggs", alerts.True, 15, 16)
	d.want("09:00 call damp", "09:10 taken damp", "10:00 call mould_risk", "11:00 call chill", "12:00 call chill")
}

// Rooms, and the air and the sensors of one room, are told apart. A cause that
// takes in several rooms takes over what was told of one of them.
func TestIncidentsOfRooms(t *testing.T) {
	d := newDesk(t)
	d.find("09:00", conditions.SensorSilent, "eggs", alerts.True)
	d.find("09:01", conditions.Heat, "eggs", alerts.True, 36, 35)
	d.find("09:02", conditions.PowerLost, "larvae", alerts.True)
	d.find("09:05", conditions.MainsLost, "", alerts.True)
	if open := d.book.Open(); len(open) != 2 || len(open[1].Members) != 3 {
		t.Fatalf("incidents %+v", open)
	}
	d.find("09:30", conditions.PowerLost, "larvae", alerts.False)
	d.find("09:31", conditions.SensorSilent, "eggs", alerts.False)
	d.find("09:32", conditions.MainsLost, "", alerts.False)
	d.want("09:00 call sensor_silent", "09:01 call heat", "09:02 call power_lost", "09:05 call mains_lost",
		"09:10 again mains_lost", "09:20 again mains_lost", "09:31 again heat", "09:32 over mains_lost")
}

// What has moved on to the incident of its root leaves the rest of its own behind,
// which ends.
func TestRestOfAnIncidentEnds(t *testing.T) {
	d := newDesk(t)
	d.find("09:00", conditions.Damp, "larvae", alerts.True)
	d.find("09:02", conditions.PowerLost, "larvae", alerts.True)
	d.find("09:03", conditions.Damp, "larvae", alerts.False)
	d.find("09:05", conditions.MainsLost, "", alerts.True)
	d.pass("09:30")
	if open, ended := d.book.Open(), d.book.Ended(); len(open) != 1 || len(ended) != 1 || len(ended[0].Members) != 1 || ended[0].Room != "larvae" {
		t.Errorf("open %+v, ended %+v", open, ended)
	}
}

// A second sensor that falls silent is no news to whoever is called, or on the
// way; hours later it is.
func TestEqualsJoinAnIncident(t *testing.T) {
	d := newDesk(t)
	silent := func(clock, sensor string) {
		d.pass(clock)
		d.take(d.machine.Observe(alerts.Observation{
			Key: alerts.Key{Condition: conditions.SensorSilent, Room: "eggs", Subject: sensor}, Time: d.at(clock), Truth: alerts.True,
		}))
	}
	silent("09:00", "a")
	silent("09:10", "b")
	for _, sensor := range []string{"a", "b"} {
		d.take(d.machine.Carry(alerts.Order{Verb: alerts.Acknowledge, Key: alerts.Key{Condition: conditions.SensorSilent, Room: "eggs", Subject: sensor}, Who: "Ines"}))
	}
	silent("09:40", "c")
	silent("12:00", "d")
	d.want("09:00 call sensor_silent", "09:10 taken sensor_silent", "12:00 call sensor_silent")
}

// Whoever sets out takes the incident on, also from somebody who only said to have
// it, and that is told once.
func TestGoing(t *testing.T) {
	d := newDesk(t)
	order := func(clock string, verb alerts.Verb, who string) {
		d.pass(clock)
		for _, key := range d.book.Together(alerts.Key{Condition: conditions.Heat, Room: "eggs"}) {
			d.take(d.machine.Carry(alerts.Order{Verb: verb, Key: key, Who: who, Incident: true}))
		}
	}
	d.find("09:00", conditions.Drying, "eggs", alerts.True, 2, 1)
	d.find("09:01", conditions.Heat, "eggs", alerts.True, 36, 35)
	order("09:02", alerts.Acknowledge, "Ines")
	order("09:03", alerts.Going, "Ines")
	order("09:04", alerts.Going, "Ines")
	order("09:05", alerts.Acknowledge, "Ben")
	order("09:06", alerts.Going, "Ben")
	d.want("09:00 call drying", "09:01 call heat", "09:02 taken heat", "09:03 taken heat", "09:06 taken heat")
	i := d.book.Open()[0]
	if !i.Going || i.TakenBy != "Ben" || !i.TakenAt.Equal(d.at("09:06")) {
		t.Errorf("going %v, taken by %s at %v", i.Going, i.TakenBy, i.TakenAt)
	}
	a := d.machine.Alarm(alerts.Key{Condition: conditions.Drying, Room: "eggs"})
	if !a.Going || a.AckedBy != "Ben" || a.State() != alerts.Acknowledged {
		t.Errorf("the alarm beside it is %+v", a)
	}
	if err := d.machine.Check(alerts.Order{Verb: alerts.Going, Key: alerts.Key{Condition: conditions.Heat, Room: "larvae"}, Who: "Ben"}); !errors.Is(err, alerts.ErrNothingOpen) {
		t.Errorf("going to what is not on: %v", err)
	}
}

// A restart in between changes nothing, and what cannot be known any more is
// taken as the alarms have it.
func TestIncidentsOutliveARestart(t *testing.T) {
	d := newDesk(t)
	d.find("08:00", conditions.Drying, "hall", alerts.True, 2, 1)
	d.find("08:10", conditions.DaySwing, "hall", alerts.True, 15, 12)
	d.find("08:20", conditions.Drying, "hall", alerts.False, 0.5, 1)
	d.find("09:00", conditions.Heat, "eggs", alerts.True, 36, 35)
	d.find("09:10", conditions.Chill, "larvae", alerts.True, 10, 15)
	text, err := json.Marshal(d.book.State())
	if err != nil {
		t.Fatal(err)
	}
	var st incidents.State
	if err := json.Unmarshal(text, &st); err != nil {
		t.Fatal(err)
	}
	again := incidents.NewBook(conditions.Incidents(), 20*time.Minute)
	again.Restore(st)
	if diff := cmp.Diff(d.book.Open(), again.Open()); diff != "" {
		t.Errorf("(-before +after):\n%s", diff)
	}
	d.find("09:12", conditions.Chill, "larvae", alerts.False, 16, 15)
	d.find("09:13", conditions.Drying, "pupae", alerts.True, 2, 1)
	priority := func(c alerts.Condition) alerts.Priority {
		def, _ := d.machine.Definition(c)
		return def.Priority()
	}
	again.Reconcile(d.machine.Memory(), priority, d.at("09:20"))
	// The swing of the day outlasts its incident, and is none of its own.
	open := again.Open()
	if len(open) != 3 || open[0].Lead().Key.Condition != conditions.Heat || !open[1].QuietAt.Equal(d.at("09:20")) {
		t.Fatalf("incidents %+v", open)
	}
	if i := open[2]; i.Room != "pupae" || i.Calls != 1 || !slices.Equal(i.Told, []alerts.Priority{alerts.Medium}) {
		t.Errorf("what was not known before is %+v", i)
	}
}

// What is over is remembered for a week, and no more of it than fits.
func TestEndedIncidentsAreBounded(t *testing.T) {
	d := newDesk(t)
	storm := func(at time.Time, hour, n int, truth alerts.Truth) {
		for k := range n {
			d.take(d.machine.Observe(alerts.Observation{
				Key: alerts.Key{Condition: conditions.SensorSilent, Room: "eggs", Subject: fmt.Sprint(hour, "-", k)}, Time: at, Truth: truth,
			}))
		}
	}
	for hour := range 130 {
		at := day.Add(time.Duration(hour) * time.Hour)
		n := 1
		if hour >= 128 {
			n = 600
		}
		storm(at, hour, n, alerts.True)
		storm(at.Add(time.Minute), hour, n, alerts.False)
		d.book.Advance(at.Add(30 * time.Minute))
		want := min(hour+1, 100)
		if hour >= 128 {
			want = []int{100, 1}[hour-128]
		}
		if got := len(d.book.Ended()); got != want {
			t.Fatalf("after %d incidents %d are remembered, want %d", hour+1, got, want)
		}
	}
	d.find("09:00", conditions.Heat, "hall", alerts.True, 36, 35)
	d.book.Advance(day.AddDate(0, 0, 20))
	if got := d.book.Ended(); len(got) != 0 {
		t.Errorf("two weeks later %d are remembered", len(got))
	}
}
