package daemon

import (
	"cmp"
	"log/slog"
	"slices"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// Trial is the engine's fold without a broker, a clock or a disk: it takes
// messages and the time, and keeps what follows from them in memory. Rooms are
// rehearsed and limits are tried on it.
type Trial struct {
	core *core
	past memory
	// Steps are the steps of alarms since they were last taken.
	steps []records.AlarmTransition
	// Outbox are the notices since they were last taken.
	outbox []records.OutboxRow
}

// TrialOptions tune a trial; the zero value is as the daemon runs.
type TrialOptions struct {
	// ForecastEvery is how much event time passes between forecasts.
	ForecastEvery time.Duration
	// Grid is how much event time passes between full evaluations; a whole
	// fraction of ten minutes.
	Grid time.Duration
}

// NewTrial returns a trial that begins at a time.
func NewTrial(f *facility.Facility, catalog *rearing.Catalog, begin time.Time) (*Trial, error) {
	return NewTrialWith(f, catalog, begin, TrialOptions{})
}

// NewTrialWith is NewTrial with options.
func NewTrialWith(f *facility.Facility, catalog *rearing.Catalog, begin time.Time, o TrialOptions) (*Trial, error) {
	c, err := newCore(coreOptions{facility: f, catalog: catalog, logger: slog.New(slog.DiscardHandler), forecastEvery: o.ForecastEvery})
	if err != nil {
		return nil, err
	}
	if o.Grid > 0 {
		c.watch.grid = o.Grid
	}
	t := &Trial{core: c}
	c.history = &t.past
	if err := t.settle(c.journal(resumeEvent{At: begin})); err != nil {
		return nil, err
	}
	return t, nil
}

// Message handles one message.
func (t *Trial) Message(m sensors.Message) error {
	t.core.admit(m)
	return t.settle(t.core.handlePending())
}

// Messages handles messages that came in together.
func (t *Trial) Messages(ms []sensors.Message) error {
	for _, m := range ms {
		t.core.admit(m)
	}
	return t.settle(t.core.handlePending())
}

// Link takes note of a change of the broker link.
func (t *Trial) Link(l LinkView) error { return t.settle(t.core.journal(linkEvent{l})) }

// Advance lets time pass.
func (t *Trial) Advance(now time.Time) error { return t.settle(t.core.advanceTo(now)) }

// Do carries out a command.
func (t *Trial) Do(c Command) error { return t.settle(t.core.journal(c)) }

// Snapshot is the state now.
func (t *Trial) Snapshot() *Snapshot { return t.core.view() }

// TakeSteps returns the steps of alarms since the last call, in order.
func (t *Trial) TakeSteps() []records.AlarmTransition {
	steps := t.steps
	t.steps = nil
	return steps
}

// TakeNotices returns the notices since the last call, in order.
func (t *Trial) TakeNotices() []records.OutboxRow {
	rows := t.outbox
	t.outbox = nil
	return rows
}

// settle takes over what the fold would have stored.
func (t *Trial) settle(err error) error {
	if err != nil {
		return err
	}
	batch, err := t.core.takeBatch()
	if err != nil || batch == nil {
		return err
	}
	t.steps = append(t.steps, batch.Transitions...)
	t.outbox = append(t.outbox, batch.Outbox...)
	t.past.add(batch.Readings)
	return nil
}

// memory is a history of temperatures that forgets what is older than a
// trial can go back.
type memory struct {
	readings []sensors.Reading
	fresh    []sensors.Reading
}

// memoryKept is how far back a trial remembers.
const memoryKept = 50 * time.Hour

func (m *memory) add(readings []sensors.Reading) {
	for _, r := range readings {
		if r.Quantity == sensors.Temperature {
			m.fresh = append(m.fresh, r)
		}
	}
	if len(m.fresh) < 4096 {
		return
	}
	m.sort()
	oldest := m.readings[len(m.readings)-1].Time.Add(-memoryKept)
	cut, _ := slices.BinarySearchFunc(m.readings, oldest, func(r sensors.Reading, t time.Time) int { return r.Time.Compare(t) })
	m.readings = slices.Delete(m.readings, 0, cut)
}

func (m *memory) sort() {
	if len(m.fresh) == 0 {
		return
	}
	m.readings = append(m.readings, m.fresh...)
	m.fresh = m.fresh[:0]
	slices.SortStableFunc(m.readings, func(a, b sensors.Reading) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Sensor, b.Sensor))
	})
}

// Has implements history.
func (m *memory) Has(series sensors.Series, at time.Time) (bool, error) {
	m.sort()
	return slices.ContainsFunc(m.readings, func(r sensors.Reading) bool { return r.Series == series && r.Time.Equal(at) }), nil
}

// Temperatures implements history.
func (m *memory) Temperatures(ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error {
	m.sort()
	first, _ := slices.BinarySearchFunc(m.readings, from, func(r sensors.Reading, t time.Time) int { return r.Time.Compare(t) })
	for _, r := range m.readings[first:] {
		if r.Time.After(to) {
			break
		}
		if r.Time.After(from) && slices.Contains(ids, r.Sensor) && !yield(r) {
			break
		}
	}
	return nil
}

// Mark implements history.
func (m *memory) Mark(sensors.RoomID, time.Time) (curveMark, bool, error) {
	return curveMark{}, false, nil
}
