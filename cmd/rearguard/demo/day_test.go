package demo

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/cmd/prove/incidents"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/sandbox"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// played is a scenario in front of the engine itself, without broker and clock.
type played struct {
	t     *testing.T
	begin time.Time
	house *rehearsal.House
	box   *sandbox.Sandbox
	turns []rehearsal.Turn
	left  []rehearsal.Answer
	steps []records.AlarmTransition
	sent  []notify.Notice
}

func play(t *testing.T, s *rehearsal.Scenario, date time.Time, seed uint64) *played {
	begin := date.Add(time.Duration(s.Hour) * time.Hour)
	text, err := rehearsal.Configuration(rehearsal.Addresses{
		Records: "demo.db", Broker: "tcp://127.0.0.1:1883", Pages: "http://127.0.0.1:1", Phone: "http://127.0.0.1:2", SecretEnv: secretEnv,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv(secretEnv, "invented")
	f, err := facility.Parse("demo.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	p := &played{t: t, begin: begin, house: s.House(begin, buffered, seed), turns: s.Turns, left: s.Answers}
	p.box, err = sandbox.New(fold.Options{
		Facility: f, Catalog: speciestest.Library(t), Logger: slog.New(slog.DiscardHandler), ForecastEvery: 24 * time.Hour,
	}, begin)
	p.must(err)
	p.must(p.box.Link(snapshot.Link{Address: "tcp://127.0.0.1:1883", Connected: true, Subscribed: true, Since: begin}))
	// What the sensors kept while the network was down comes at once.
	var kept []sensors.Message
	for p.house.Now().Before(begin) {
		p.house.Advance(func(m rehearsal.Message) {
			if m.Timed {
				kept = append(kept, sensors.Message{Topic: m.Topic, Payload: []byte(m.Payload), Received: begin, Ack: func() {}})
			}
		})
	}
	p.must(p.box.Messages(kept...))
	for _, c := range rehearsal.Cohorts(begin) {
		p.must(p.box.Do(fold.AddCohort{Cohort: c, Who: "demo"}))
	}
	for p.house.Now().Before(begin.Add(19 * time.Hour)) {
		p.step()
	}
	return p
}

func (p *played) must(err error) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
}

// step plays one report interval, with the lead's answers.
func (p *played) step() {
	now := p.house.Now()
	for len(p.turns) > 0 && !now.Before(p.begin.Add(p.turns[0].At)) {
		p.house.Do(p.turns[0])
		p.turns = p.turns[1:]
	}
	for n, a := range p.left {
		if key, due := a.Due(p.box.Snapshot(), now); due {
			p.must(p.box.Do(fold.Order{Verb: alerts.Going, Key: key, Who: a.Who, Incident: true}))
			p.left = append(p.left[:n:n], p.left[n+1:]...)
			break
		}
	}
	var heard []sensors.Message
	p.house.Advance(func(m rehearsal.Message) {
		heard = append(heard, sensors.Message{Topic: m.Topic, Payload: []byte(m.Payload), Received: p.house.Now(), Ack: func() {}})
	})
	p.must(p.box.Messages(heard...))
	p.must(p.box.Advance(p.house.Now().Add(time.Second)))
	p.steps = append(p.steps, p.box.TakeSteps()...)
	p.sent = append(p.sent, p.box.TakeNotices()...)
}

// named is how long after the beginning a cause was first named in a room.
func (p *played) named(c alerts.Condition, room sensors.RoomID) (time.Duration, bool) {
	for _, s := range p.steps {
		if s.Event == alerts.EventRaise && s.Key.Condition == c && s.Key.Room == room {
			return s.Time.Sub(p.begin), true
		}
	}
	return 0, false
}

// promised is what of a scenario is to be named as such, where, how long after
// the beginning of the story it happens, and within which time of that. The rooms
// of the demo are smaller than those of the lab, and it is winter in them.
var promised = map[string][]struct {
	cause      alerts.Condition
	room       sensors.RoomID
	at, within time.Duration
}{
	"day": {
		{conditions.HumidifierExhausted, "larva-hall", time.Hour, 90 * time.Minute},
		{conditions.HeaterStuckOn, "pupa-room", 3 * time.Hour, 45 * time.Minute},
	},
	"storm": {
		{conditions.DoorOpen, "nursery", time.Hour, 45 * time.Minute},
		{conditions.MainsLost, "", 8 * time.Hour, 45 * time.Minute},
	},
}

// noticesMost is how many notices one phone may get in a scenario.
const noticesMost = 6

// What happens is named as such within the time that the lab promises, in more
// than one weather, and told with few notices, each of which says what to do.
func TestScenariosAreNamedAndToldSparingly(t *testing.T) {
	foldtest.WithoutRace(t)
	seeds := []uint64{1, 2, 3}
	if testing.Short() {
		seeds = seeds[:1]
	}
	for _, s := range rehearsal.Scenarios() {
		for _, seed := range seeds {
			t.Run(fmt.Sprintf("%s, seed %d", s.Name, seed), func(t *testing.T) {
				p := play(t, &s, time.Date(2026, time.Month(4*seed-2), 28, 0, 0, 0, 0, time.UTC), seed)
				if len(promised[s.Name]) == 0 {
					t.Error("nothing is promised of this scenario")
				}
				for _, w := range promised[s.Name] {
					after, ok := p.named(w.cause, w.room)
					t.Logf("%s in %q is named %v after it happened", w.cause, w.room, after-w.at)
					if within := min(w.within, incidents.Promised(w.cause)); !ok || after < w.at || after-w.at > within {
						t.Errorf("%s in %q is named %t, %v after it happened, want within %v", w.cause, w.room, ok, after-w.at, within)
					}
				}
				p.told(t)
			})
		}
	}
}

// told checks what people were sent.
func (p *played) told(t *testing.T) {
	t.Helper()
	phones, asked := map[string]int{}, map[int64]bool{}
	for _, row := range p.sent {
		var n notify.AlarmNotice
		p.must(json.Unmarshal(row.Payload, &n))
		phones[row.Recipient]++
		t.Log(row.CreatedAt.Format("15:04"), row.Recipient, n.Kind, n.Title)
		if n.Kind != notify.Cleared && n.FirstAction == "" {
			t.Errorf("%s calls %s and says nothing to do", n.Title, row.Recipient)
		}
		asked[n.Occurrence] = true
	}
	for person, n := range phones {
		if n > noticesMost {
			t.Errorf("%s gets %d notices, want at most %d", person, n, noticesMost)
		}
	}
	for _, i := range p.box.Snapshot().Incidents {
		if asked[i.Number] && i.Theme == "air" && i.EndedAt.IsZero() {
			t.Errorf("%s in %s is not over at the end of the story", i.Title, i.Room)
		}
	}
	if len(p.left) > 0 {
		t.Errorf("%d answers of the lead were never due", len(p.left))
	}
}
