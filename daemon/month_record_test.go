package daemon_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// monthRecordEnv makes TestRecordMonth live the month anew.
const monthRecordEnv = "REARGUARD_RECORD"

// When the month begins, how long it lasts and how much history the sensors
// had kept before it. It ends between two checkpoints, so that a restart has
// something to handle again.
var monthBegin = time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)

const (
	monthDays     = 30
	monthLength   = monthDays*24*time.Hour + 20*time.Minute
	monthBuffered = 10 * 24 * time.Hour
	// monthThin publishes every so many of the invented house's reports, and
	// monthInterval is what the configuration then says of the sensors.
	monthThin     = 3
	monthInterval = "15m"
	// monthRollEvery and monthHotFor are how history is packed meanwhile.
	monthRollEvery = 24 * time.Hour
	monthHotFor    = 36 * time.Hour
)

// monthStopped is when the engine is stopped, and for how long.
const (
	monthStopAt  = 15*24*time.Hour + 6*time.Hour + 10*time.Minute
	monthStopFor = 25 * time.Minute
)

// monthConfig is how far the configuration has grown: limits that come with
// the restart, and sensors that are claimed.
type monthConfig struct {
	hallLimits bool
	claimed    []sensors.SensorID
}

// companion is a sensor that the invented house does not have. It stands
// beside one that it has.
type companion struct {
	id     sensors.SensorID
	room   sensors.RoomID
	topic  string
	beside string
	// warmer is by how many °C its place is.
	warmer float64
	// from is when it is switched on; claimed says that it is taken up later.
	from    time.Duration
	claimed bool
}

// companions make three sensors of most rooms, so that it can be told which of
// them is wrong.
var companions = [...]companion{
	{id: "larva-middle", room: "larva-hall", topic: "lantern/larva-hall/middle", beside: "lantern/larva-hall/east", warmer: -0.1},
	{id: "pupa-shelf", room: "pupa-room", topic: "lantern/pupa-room/shelf", beside: "lantern/pupa-room/rack", warmer: -0.4},
	{id: "emergence-shelf", room: "emergence", topic: "lantern/emergence/shelf", beside: "lantern/emergence/cage", warmer: 0.2},
	{id: "flight-floor", room: "flight-hall", topic: "lantern/flight-hall/floor", beside: "lantern/flight-hall/canopy", warmer: -1.4, from: 10 * 24 * time.Hour, claimed: true},
	{id: "nursery-window", room: "nursery", topic: "lantern/nursery/window", beside: "lantern/nursery/upper", warmer: -0.8, from: 28 * 24 * time.Hour, claimed: true},
}

func (c monthConfig) text(t *testing.T) []byte {
	t.Helper()
	text, err := rehearsal.Configuration(rehearsal.Addresses{
		Records: "month.db", Broker: "tcp://127.0.0.1:1883", Pages: "http://127.0.0.1:8080",
		Phone: "http://127.0.0.1:8081/phone", SecretEnv: monthSecretEnv,
	})
	if err != nil {
		t.Fatal(err)
	}
	out := string(text)
	change := func(from, to string) {
		if !strings.Contains(out, from) {
			t.Fatalf("the invented configuration has no %q any more", from)
		}
		out = strings.ReplaceAll(out, from, to)
	}
	change("interval: 5m", "interval: "+monthInterval)
	change("position: shelf 4, door side", "position: shelf 4, door side\n    height_m: 1.8\n    availability: {topic: lantern/nursery/upper/state}")
	change("{id: emergence, name: Emergence room}",
		`{id: emergence, name: Emergence room, set_points: [{from: "07:00", celsius: 26}, {from: "20:00", celsius: 25}]}`)
	change("{id: larva-hall, name: Larva hall}",
		"{id: larva-hall, name: Larva hall, limits: {drying_kilopascals: 1.6, drying_after: 90m, day_swing_celsius: 9}}")
	change("\nrooms:\n", "\nlimits: {heat_celsius: 33, fast_change_celsius_per_hour: 7}\nrooms:\n")
	if c.hallLimits {
		change("{id: flight-hall, name: Flight hall}", "{id: flight-hall, name: Flight hall, limits: {mould_percent: 80, day_swing_celsius: 14}}")
	}
	extra := ""
	for _, one := range companions {
		if !one.claimed || slices.Contains(c.claimed, one.id) {
			extra += one.text()
		}
	}
	change("\npeople:", "\n"+extra+"people:")
	return []byte(out)
}

func (c companion) text() string {
	return fmt.Sprintf(`  - id: %s
    room: %s
    position: added later
    interval: %s
    inputs:
      - topic: %q
        format: json
        time: {at: /ts, unit: ms}
        values: [{quantity: temperature, at: /air/t, unit: °C}, {quantity: humidity, at: /air/rh, unit: "%%"}, {quantity: battery, at: /battery, unit: "%%"}]
`, c.id, c.room, monthInterval, c.topic)
}

// month lives the invented month through an engine.
type month struct {
	t       *testing.T
	dir     string
	config  monthConfig
	catalog *species.Catalog

	store  *records.Store
	engine *daemon.Engine
	cancel context.CancelFunc
	done   chan error
	inlets

	house *rehearsal.House
	// last is the time of the last event given; queue is what the broker keeps
	// while nobody listens.
	last   time.Time
	rounds int
	away   bool
	queue  []sensors.Message
	mishaps
	keeper
	refused map[string]int
}

// inlets are the ways by which the month reaches the engine.
type inlets struct {
	messages chan sensors.Message
	ticks    chan timekeeping.Beat
	links    chan snapshot.Link
	oversize chan desk.Refused
	notices  chan snapshot.NoticeState
}

func newInlets() inlets {
	return inlets{
		make(chan sensors.Message), make(chan timekeeping.Beat), make(chan snapshot.Link),
		make(chan desk.Refused), make(chan snapshot.NoticeState),
	}
}

// TestRecordMonth makes the recording, the configuration and nothing else; the
// goldens are written by the tests that compare with them.
func TestRecordMonth(t *testing.T) {
	if os.Getenv(monthRecordEnv) == "" {
		t.Skip("it takes minutes; set " + monthRecordEnv + "=1 to record the month anew")
	}
	m := &month{
		t: t, dir: t.TempDir(), catalog: speciestest.Library(t), refused: map[string]int{},
		house: rehearsal.NewHouse(monthBegin.Add(-monthBuffered), 1),
	}
	m.last = monthBegin
	m.start(monthBegin)
	m.live()
	m.stop()
	m.pack()
	t.Logf("refused: %v", m.refused)
}

// live goes through the month.
func (m *month) live() {
	m.connect(monthBegin, "")
	m.deliverBuffered()
	m.enter(monthBegin)
	m.tick(m.last.Add(time.Second))
	nextRoll := monthBegin.Add(monthRollEvery)
	end := monthBegin.Add(monthLength)
	plan := m.plan()
	for m.house.Now().Before(end) {
		for len(plan) > 0 && !m.house.Now().Before(monthBegin.Add(plan[0].at)) {
			plan[0].do()
			plan = plan[1:]
		}
		m.round()
		if now := m.house.Now(); !now.Before(nextRoll) && m.engine != nil {
			nextRoll = nextRoll.Add(monthRollEvery)
			if _, err := m.store.Roll(m.t.Context(), now.Add(-monthHotFor)); err != nil {
				m.t.Fatal(err)
			}
		}
	}
}

// round moves the house on by one report.
func (m *month) round() {
	m.rounds++
	var said []rehearsal.Message
	m.house.Advance(func(message rehearsal.Message) { said = append(said, m.warmed(message)) })
	now := m.house.Now()
	if m.rounds%monthThin == 0 {
		for _, one := range m.distort(said, now) {
			m.send(one.Topic, one.Payload, false)
		}
	}
	if m.engine == nil {
		return
	}
	m.tick(now.Add(10 * time.Second))
	m.keep(now)
}

// deliverBuffered gives what the sensors kept from before, all at once.
func (m *month) deliverBuffered() {
	for round := 1; m.house.Now().Before(monthBegin); round++ {
		m.house.Advance(func(message rehearsal.Message) {
			if message.Timed && round%monthThin == 0 {
				message = m.warmed(message)
				for _, one := range append([]rehearsal.Message{message}, m.beside(message, 0)...) {
					m.send(one.Topic, one.Payload, false)
				}
			}
		})
	}
}

// send gives a message to whoever listens, or keeps it until somebody does.
func (m *month) send(topic, payload string, retained bool) {
	at := m.last.Add(40 * time.Millisecond)
	if now := m.house.Now(); now.After(at) {
		at = now
	}
	m.last = at
	message := sensors.Message{Topic: topic, Payload: []byte(payload), Retained: retained, Received: at, Ack: func() {}}
	if m.away || m.engine == nil {
		m.queue = append(m.queue, message)
		return
	}
	m.messages <- message
}

// connect tells the engine of the broker link, with a problem that it is lost,
// and delivers what the broker has kept.
func (m *month) connect(at time.Time, problem string) {
	m.away = problem != ""
	m.links <- snapshot.Link{Address: "tcp://127.0.0.1:1883", Connected: !m.away, Subscribed: !m.away, Since: at, Problem: problem}
	if m.away {
		return
	}
	kept := m.queue
	m.queue = nil
	for _, message := range kept {
		m.last = m.last.Add(10 * time.Millisecond)
		if at.After(m.last) {
			m.last = at
		}
		message.Received = m.last
		m.messages <- message
	}
}

func (m *month) tick(at time.Time) {
	if at.After(m.last) {
		m.last = at
	}
	// The second tick is taken only when the first has been handled.
	m.ticks <- timekeeping.Right(m.last)
	m.ticks <- timekeeping.Right(m.last)
}

// do gives a command. A refusal is the story's business.
func (m *month) do(c fold.Command) {
	m.t.Helper()
	err := m.engine.Do(m.t.Context(), c)
	if errors.Is(err, fold.ErrRefused) {
		m.refused[c.Kind()]++
		m.t.Logf("%s: %v", m.house.Now().Format(time.DateTime), err)
		return
	}
	if err != nil {
		m.t.Fatal(err)
	}
}

func (m *month) facility() *facility.Facility { return parseMonth(m.t, m.config.text(m.t)) }

func (m *month) start(now time.Time) {
	var err error
	m.store, err = records.Open(m.t.Context(), filepath.Join(m.dir, "month.db"), records.Options{Synchronous: records.Normal})
	if err != nil {
		m.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(m.t.Context())
	m.engine, err = daemon.New(ctx, daemon.Options{
		Options: monthOptions(m.facility(), m.catalog), Store: m.store, Now: timekeeping.Right(now),
	})
	if err != nil {
		cancel()
		m.t.Fatal(err)
	}
	m.cancel, m.done, m.inlets = cancel, make(chan error, 1), newInlets()
	engine, in := m.engine, daemon.Sources{Messages: m.messages, Ticks: m.ticks, Links: m.links, Oversize: m.oversize, Notices: m.notices}
	go func() { m.done <- engine.Run(ctx, in) }()
}

func (m *month) stop() {
	m.cancel()
	if err := <-m.done; err != nil {
		m.t.Fatal(err)
	}
	m.engine = nil
	if err := m.store.Close(); err != nil {
		m.t.Fatal(err)
	}
}

// pack writes the recording and the configuration that was in force at its end.
func (m *month) pack() {
	store, err := records.Open(m.t.Context(), filepath.Join(m.dir, "month.db"), records.Options{})
	if err != nil {
		m.t.Fatal(err)
	}
	defer store.Close()
	if _, err := store.Roll(m.t.Context(), m.house.Now().Add(-monthHotFor)); err != nil {
		m.t.Fatal(err)
	}
	compact := filepath.Join(m.dir, "compact.db")
	if err := store.Backup(m.t.Context(), compact); err != nil {
		m.t.Fatal(err)
	}
	body, err := os.ReadFile(compact)
	if err != nil {
		m.t.Fatal(err)
	}
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression))
	if err != nil {
		m.t.Fatal(err)
	}
	packed := encoder.EncodeAll(body, nil)
	for name, content := range map[string][]byte{monthRecords: packed, monthFacility: m.config.text(m.t)} {
		if err := os.WriteFile(filepath.Join(monthFolder, name), content, 0o644); err != nil {
			m.t.Fatal(err)
		}
	}
	m.t.Logf("records of %d bytes packed into %d", len(body), len(packed))
	kinds := map[string]int{}
	for e, err := range store.Journal(m.t.Context(), time.Time{}, past.FarFuture()) {
		if err != nil {
			m.t.Fatal(err)
		}
		kinds[e.Kind]++
	}
	m.t.Logf("journal: %v", kinds)
}

// turn is something that happens at a time of the month.
type turn struct {
	at time.Duration
	do func()
}

// inOrder sorts turns by their time.
func inOrder(turns []turn) []turn {
	slices.SortStableFunc(turns, func(a, b turn) int { return int(a.at - b.at) })
	return turns
}
