package daemon_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/daemon/rehearsal"
	"rearguard/daemon/snapshot"
	"rearguard/sensors/desk"
)

// day is a time of the month: so many days and hours after its beginning.
func day(days int, hours float64) time.Duration {
	return time.Duration(days)*24*time.Hour + time.Duration(hours*float64(time.Hour))
}

// mishaps are what goes wrong between the invented sensors and the engine.
type mishaps struct {
	// stuck is the payload that a stuck sensor repeats, held what a gateway
	// keeps back, by topic.
	stuck map[string]lantern
	held  []rehearsal.Message
	// benched topics are silent in the house: their sensor is on the bench.
	benched map[string]bool
}

// lantern is the payload of the invented sensors.
type lantern struct {
	TS  int64 `json:"ts"`
	Air struct {
		T  float64 `json:"t"`
		RH float64 `json:"rh"`
	} `json:"air"`
	Battery *float64 `json:"battery,omitempty"`
}

func (l lantern) String() string {
	text := fmt.Sprintf(`{"ts":%d,"air":{"t":%.2f,"rh":%.1f}`, l.TS, l.Air.T, l.Air.RH)
	if l.Battery != nil {
		text += fmt.Sprintf(`,"battery":%.0f`, *l.Battery)
	}
	return text + "}"
}

// within reports whether a time of the month lies in a stretch of it.
func within(since time.Duration, from, to time.Duration) bool { return since >= from && since < to }

// warmed is a message from a house whose emergence room is warmer than the
// others, so that a sensor of it that hangs elsewhere can be told.
func (m *month) warmed(one rehearsal.Message) rehearsal.Message {
	if !strings.HasPrefix(one.Topic, "lantern/emergence/") {
		return one
	}
	var l lantern
	if err := json.Unmarshal([]byte(one.Payload), &l); err != nil {
		m.t.Fatal(err)
	}
	l.Air.T += 2.5
	one.Payload = l.String()
	return one
}

// distort makes what reaches the broker of what the sensors say.
func (m *month) distort(said []rehearsal.Message, now time.Time) []rehearsal.Message {
	since := now.Sub(monthBegin)
	var out []rehearsal.Message
	for _, one := range said {
		out = append(out, m.beside(one, since)...)
		if m.benched[one.Topic] || lost(one.Topic, since) {
			continue
		}
		if one.Timed {
			one = m.misread(one, since)
		}
		switch {
		case holdsBack(one.Topic, since):
			m.held = append(m.held, one)
			continue
		case one.Topic == "lantern/emergence/cage" && within(since, day(7, 0), day(8, 0)):
			out = append(out, one)
		}
		out = append(out, one)
	}
	return append(m.release(since), out...)
}

// lost are the silences: a dead sensor, a blind room, one that its broker
// reports as gone.
func lost(topic string, since time.Duration) bool {
	switch {
	case strings.HasPrefix(topic, "lantern/larva-hall/west"):
		return within(since, day(3, 2), day(3, 9))
	case topic == "lantern/nursery/lower" && since >= day(29, 22):
		return true
	case strings.HasPrefix(topic, "lantern/nursery/"):
		return within(since, day(11, 5), day(11, 8)) || topic == "lantern/nursery/upper" && within(since, day(16, 4), day(16, 7))
	}
	return false
}

// misread changes what a sensor with a clock says.
func (m *month) misread(one rehearsal.Message, since time.Duration) rehearsal.Message {
	var l lantern
	if err := json.Unmarshal([]byte(one.Payload), &l); err != nil {
		m.t.Fatal(err)
	}
	switch one.Topic {
	case "lantern/nursery/lower":
		if spikes := []time.Duration{day(4, 5), day(4, 14.5), day(19, 8)}; slices.Contains(spikes, since) {
			l.Air.T += 14
		}
	case "lantern/pupa-room/rack":
		if within(since, day(6, 1), day(6, 19)) {
			if m.stuck == nil {
				m.stuck = map[string]lantern{one.Topic: l}
			}
			l.Air = m.stuck[one.Topic].Air
		}
	case "lantern/pupa-room/floor":
		days := since.Hours() / 24
		l.Air.T += math.Min(2.5, 0.25*math.Max(0, days-6)) + 0.25*math.Max(0, days-23)
	case "lantern/outdoor":
		switch {
		case within(since, day(9, 2), day(9, 3)):
			l.TS += (3 * time.Hour).Milliseconds()
		case within(since, day(10, 0), day(11, 0)):
			l.TS += (4 * time.Minute).Milliseconds()
		case within(since, day(13, 1), day(13, 1.5)):
			l.TS = 1000
		}
	case "lantern/emergence/door":
		if exchanged(since) {
			one.Topic = "lantern/larva-hall/east"
		}
	case "lantern/larva-hall/east":
		if exchanged(since) {
			one.Topic = "lantern/emergence/door"
		}
	case "lantern/flight-hall/canopy":
		if since == day(17, 3) {
			return rehearsal.Message{Topic: one.Topic, Payload: `{"ts":"soon","air":null`, Timed: true}
		}
	}
	one.Payload = l.String()
	return one
}

// exchanged are the times in which two sensors hang in each other's place.
func exchanged(since time.Duration) bool {
	return within(since, day(22, 0), day(24, 0)) || since >= day(29, 12)
}

// holdsBack are the stretches in which a gateway keeps readings to itself.
func holdsBack(topic string, since time.Duration) bool {
	return topic == "lantern/flight-hall/canopy" && within(since, day(5, 3), day(5, 8)) ||
		topic == "lantern/emergence/door" && within(since, day(13, 4), day(13, 5.5)) ||
		topic == "lantern/larva-hall/east" && within(since, day(21, 10), day(21, 19))
}

// release gives what was held back, once in order and once in reverse.
func (m *month) release(since time.Duration) []rehearsal.Message {
	ends := []time.Duration{day(5, 8), day(13, 5.5), day(21, 19)}
	if !slices.Contains(ends, since) {
		return nil
	}
	out := m.held
	m.held = nil
	if since == ends[1] {
		slices.Reverse(out)
	}
	return out
}

// beside is what the companions of a sensor say.
func (m *month) beside(one rehearsal.Message, since time.Duration) []rehearsal.Message {
	var out []rehearsal.Message
	for _, c := range companions {
		var l lantern
		if c.beside != one.Topic || since < c.from || json.Unmarshal([]byte(one.Payload), &l) != nil {
			continue
		}
		left := 95 - 2*(since-c.from).Hours()/24
		l.TS += 3_000
		// Its own noise, the same in every recording.
		l.Air.T += c.warmer + float64(l.TS/1000%7-3)/50
		l.Air.RH = math.Min(100, l.Air.RH+float64(l.TS/1000%5-2)/5)
		l.Battery = &left
		out = append(out, rehearsal.Message{Topic: c.topic, Payload: l.String(), Timed: true})
	}
	return out
}

// brokerTurns are the broker's part of the month, and that of the house's
// surroundings.
func (m *month) brokerTurns() []turn {
	state := "lantern/nursery/upper/state"
	trouble := snapshot.DeliveryTrouble{Waiting: 3, Oldest: monthBegin.Add(day(14, 3)), Problem: "connection refused"}
	return []turn{
		{day(0, 0.1), func() { m.send(state, "online", true) }},
		{day(2, 7.2), func() {
			m.send("lantern/larva-hall/west/temperature", "71.20", true)
			m.send("lantern/nursery/lower", fmt.Sprintf(`{"ts":%d,"air":{"t":24.10,"rh":77.0}}`, m.house.Now().Add(-7*time.Minute).UnixMilli()), true)
			m.send("lantern/larva-hall/west/humidity", "n/a", false)
			m.send("lantern/larva-hall/west/humidity", "", false)
		}},
		{day(8, 10), func() {
			m.oversize <- desk.Refused{Count: 1, Newest: []desk.Rejected{{Time: m.last, Topic: "lantern/camera", Outcome: "oversize", Reason: "5 MB"}}}
		}},
		{day(12, 8), func() { m.connect(m.house.Now(), "connection refused; is the broker running?") }},
		{day(12, 10.5), func() { m.connect(m.house.Now(), "") }},
		{day(14, 4), func() { m.notices <- snapshot.NoticeState{Pending: 3, Trouble: trouble} }},
		{day(14, 9), func() { m.notices <- snapshot.NoticeState{} }},
		{monthStopAt, m.stop},
		{monthStopAt + monthStopFor, func() {
			m.config.hallLimits = true
			m.last = m.house.Now()
			m.start(m.last)
			m.connect(m.last.Add(time.Second), "")
			m.send(state, "online", true)
		}},
		{day(16, 4), func() { m.send(state, "offline", false) }},
		{day(16, 7), func() { m.send(state, "online", false) }},
		{day(24, 3), func() { m.connect(m.house.Now(), "the broker closed the connection") }},
		{day(24, 3.25), func() { m.connect(m.house.Now(), "") }},
	}
}
