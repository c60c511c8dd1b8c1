package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// stormRooms is how many rooms get too hot within a minute in the checks of a
// change, stormMost the most messages that a person gets of it by a channel.
const (
	stormRooms = 1000
	stormMost  = 12
)

// stormConfig is a house of many rooms with a sensor each.
func stormConfig(rooms int) string {
	var b strings.Builder
	b.WriteString("facility: {name: Storm, timezone: UTC}\nbroker: {address: \"tcp://127.0.0.1\", client_id: storm}\nrooms:\n")
	for i := range rooms {
		fmt.Fprintf(&b, "  - {id: r%d, limits: {heat_celsius: 30}}\n", i)
	}
	b.WriteString("sensors:\n")
	for i := range rooms {
		fmt.Fprintf(&b, "  - {id: s%d, room: r%d, interval: 60s, inputs: [{topic: storm/%d, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n", i, i, i)
	}
	b.WriteString(`
people: [{id: lead, name: Lead, email: l@example.org}, {id: keeper, name: Keeper, email: k@example.org}]
channels:
  - {id: pager, kind: webhook, url: "http://127.0.0.1:1", secret_env: REARGUARD_TEST_SECRET}
  - {id: mail, kind: webhook, url: "http://127.0.0.1:2", secret_env: REARGUARD_TEST_SECRET}
roster: [{who: [lead], channels: [pager, mail], priorities: [high, critical]}, {who: [keeper], channels: [mail], priorities: [high, critical, medium]}]
alarms: {heat: {on_delay: 1s}}
`)
	return b.String()
}

// stormLane is what a person was told by a channel.
type stormLane struct {
	messages int
	told     map[int64]bool
}

type stormChannel struct{ lanes map[string]*stormLane }

func (c stormChannel) Send(_ context.Context, m notify.Message) error {
	at := m.Notice.Recipient + " by " + m.Notice.Channel
	if c.lanes[at] == nil {
		c.lanes[at] = &stormLane{told: map[int64]bool{}}
	}
	l := c.lanes[at]
	l.messages++
	for _, a := range append(m.Also, m.Alarm) {
		l.told[a.Occurrence] = true
	}
	return nil
}

// cpu is how long this process has computed.
func cpu(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// A thousand alarms within a minute are a handful of messages to each person,
// each of them is in one and on the page, and the engine keeps up.
func TestStormIsAHandfulOfMessages(t *testing.T) {
	foldtest.WithoutRace(t)
	rooms := 300
	if os.Getenv("CI") != "" {
		// To enter the cohorts of so many rooms takes longer than the storm.
		rooms = stormRooms
	}
	r := newRigOf(t, stormConfig(rooms))
	for i := range rooms {
		r.monarchsIn(population.CohortID(fmt.Sprintf("c%d", i)), sensors.RoomID(fmt.Sprintf("r%d", i)), testStart)
	}
	now := testStart
	channel := stormChannel{map[string]*stormLane{}}
	deliver := notify.NewWorker(r.store, map[string]notify.Channel{"pager": channel, "mail": channel}, notify.Options{
		Now: func() time.Time { return now }, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler),
		Roster: r.facility.Called,
	}).InTurn()
	spent := func(m int, celsius float64) time.Duration {
		began := cpu(t)
		for i := range rooms {
			now = minute(m).Add(time.Duration(i) * time.Minute / time.Duration(rooms))
			r.send(fmt.Sprintf("storm/%d", i), fmt.Sprint(celsius), now)
			if i%50 == 49 {
				r.tick(now)
				deliver(t.Context())
			}
		}
		return cpu(t) - began
	}
	calm := spent(0, 25)
	calm = min(calm, spent(1, 25))
	storm := spent(2, 36) + spent(3, 36)
	now = minute(5)
	s := r.tick(now)
	t.Logf("a minute of %d readings takes %v to handle, two with %d alarms %v", rooms, calm, len(s.Alarms), storm)
	if storm > time.Minute {
		t.Errorf("two minutes of storm took %v", storm)
	}
	open := 0
	for i := range s.Incidents {
		if s.Incidents[i].EndedAt.IsZero() {
			open++
		}
	}
	if len(s.Alarms) != rooms || open != rooms {
		t.Errorf("the page shows %d alarms of %d incidents", len(s.Alarms), open)
	}
	// All is written that was decided.
	for entered := int64(0); entered < 3*int64(rooms) && t.Context().Err() == nil; {
		totals, err := r.store.OutboxTotals(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		entered = 0
		for _, of := range totals {
			entered += of.Count
		}
	}
	for end := minute(10); now.Before(end); {
		now = now.Add(max(time.Second, deliver(t.Context())))
	}
	if len(channel.lanes) != 3 {
		t.Errorf("told: %v", channel.lanes)
	}
	for at, l := range channel.lanes {
		t.Logf("%s: %d messages tell of %d alarms", at, l.messages, len(l.told))
		if l.messages > stormMost || len(l.told) != rooms {
			t.Errorf("%s: %d messages tell of %d alarms, want at most %d of all %d", at, l.messages, len(l.told), stormMost, rooms)
		}
	}
	waiting, err := r.store.Queues(t.Context(), now)
	if err != nil || len(waiting) > 0 {
		t.Errorf("still waiting: %v, %v", waiting, err)
	}
}
