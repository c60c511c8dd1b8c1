package simulate

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"rearguard/alerts/notify"
	"rearguard/cmd/prove/simulate/files"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/records"
	"rearguard/daemon/records/upkeep"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// forecastEvery keeps runs short: nothing that is checked depends on forecasts.
const forecastEvery = 6 * time.Hour

// grid is coarser than in life; the delays of alarms run out between its
// instants all the same.
const grid = 2 * time.Minute

// keepAfter is few enough readings that the state is kept in most runs beside
// its grid.
const keepAfter = 150

// process is one life of the daemon, from its start to its end.
type process struct {
	clock    timekeeping.Keeper
	engine   *daemon.Engine
	steps    daemon.Steps
	store    *records.Store
	facility *facility.Facility
	// deliver and deliverDirectly are the two deliverers of notices.
	deliver, deliverDirectly func(context.Context) time.Duration
	// waiting are commands that are not answered yet.
	waiting []*order
	// began is the minute of the start.
	began int
	// packed is the minute at which history was packed last.
	packed int
	// wrote is that of the newest attempt to write.
	wrote int
	known snapshot.NoticeState
	// deliverAt is the minute at which the outbox is to be looked at next.
	deliverAt int
}

// order is a command on its way.
type order struct {
	answer <-chan error
	then   func()
}

// start opens the records and starts an engine on them.
func (r *run) start(ctx context.Context) {
	f, err := r.site.Parse()
	if err != nil {
		r.breach("configuration", "the configuration is refused: %v", err)
		return
	}
	store, err := records.Open(ctx, r.disk.path(), records.Options{Synchronous: records.Normal, Readers: 2})
	if err != nil {
		r.breach("start", "the records cannot be opened: %v", err)
		return
	}
	p := &process{store: store, facility: f, began: r.now, packed: r.now}
	p.engine, err = daemon.New(ctx, daemon.Options{
		Options: fold.Options{Facility: f, Catalog: r.catalogs.Of(r.site), Logger: slog.New(slog.DiscardHandler), Invented: true, ForecastEvery: forecastEvery, Grid: grid, KeepAfter: keepAfter},
		Store:   store, Clock: &p.clock, Now: r.look(), Ask: r.asked, NoticesDue: func() { p.deliverAt = r.now },
	})
	if err != nil {
		_ = store.Close() // err says why
		r.breach("start", "the daemon does not start: %v", err)
		return
	}
	p.steps = p.engine.Steps()
	telling := notify.Options{Now: r.believed, Random: func() float64 { return 0.5 }, Logger: slog.New(slog.DiscardHandler)}
	channels := map[string]notify.Channel{"phone": r.phone}
	p.deliver = notify.NewWorker(files.Outbox{Outbox: store, Fails: r.disk.fault}, channels, telling).InTurn()
	p.deliverDirectly = notify.NewUnrecorded(p.engine.Waiting(), channels, telling).InTurn()
	r.process = p
	if before := r.world.before; before != nil {
		r.world.before = nil
		r.compareMarks(before, markOf(p.engine.Snapshot()))
	}
	r.ref.started()
}

// stop ends the daemon in good order.
func (r *run) stop(ctx context.Context) {
	p := r.process
	if p == nil {
		return
	}
	if r.upToDate(ctx); r.over() {
		return
	}
	r.write(ctx, false)
	r.world.before = nil
	if !r.disk.failing {
		r.world.before = markOf(p.engine.Snapshot())
	}
	r.leave(true)
}

// kill ends the daemon as a cut of the mains does.
func (r *run) kill() {
	if r.process == nil {
		return
	}
	left, err := r.disk.powerCut()
	if err != nil {
		r.fail(err)
		return
	}
	r.leave(false)
	if err := files.Replace(r.disk.path(), left); err != nil {
		r.fail(err)
	}
}

// leave is what follows from the end of the daemon.
func (r *run) leave(orderly bool) {
	p := r.process
	if !orderly || r.disk.failing {
		r.ref.killed()
	}
	r.process = nil
	r.broker.drop()
	r.broker.lost = time.Time{}
	if err := p.store.Close(); err != nil {
		r.fail(err)
	}
}

// asked is what the daemon publishes to a sensor: all of it asks for a birth.
func (r *run) asked(payload.Request) { r.unborn() }

// unborn has sensors tell again what their messages mean.
func (r *run) unborn() {
	for _, s := range r.sensors {
		if s.Plan.Form == world.SparkplugForm {
			s.Born = false
		}
	}
}

// do gives a command; then is called once it is recorded.
func (r *run) do(ctx context.Context, c fold.Command, then func()) {
	if r.process == nil {
		return
	}
	answer, err := r.process.steps.Do(ctx, c)
	if err != nil {
		r.breach("engine", "the engine ended at a command (%s): %v", c.Kind(), err)
		return
	}
	r.process.waiting = append(r.process.waiting, &order{answer, then})
	r.answers()
}

// answers looks at the commands on their way.
func (r *run) answers() {
	kept := r.process.waiting[:0]
	for _, o := range r.process.waiting {
		select {
		case err := <-o.answer:
			if err == nil {
				o.then()
			}
		default:
			kept = append(kept, o)
		}
	}
	r.process.waiting = kept
}

// write makes one attempt to write. It reports false when the process was
// killed meanwhile.
func (r *run) write(ctx context.Context, mayKill bool) {
	if !mayKill {
		r.disk.cut = noCut
	}
	r.process.wrote = r.now
	_, err := r.process.steps.Write(ctx, r.disk.commit)
	switch {
	case errors.Is(err, errKilled):
		r.kill()
		return
	case err != nil && !errors.Is(err, errDisk):
		r.breach("write", "the records cannot be written: %v", err)
		return
	}
	r.answers()
}

// receive hands over what waits at the broker, in bunches.
func (r *run) receive(ctx context.Context) {
	for bunch := 0; len(r.broker.queue) > 0; bunch++ {
		n := 1 + r.Below(60, world.ForBatch, r.now, bunch)
		var list []sensors.Message
		for range n {
			m := r.broker.next()
			if m == nil {
				break
			}
			list = append(list, r.broker.hand(m))
		}
		taken, err := r.process.steps.Messages(ctx, list...)
		if err != nil {
			r.breach("engine", "the engine ended at a message: %v", err)
			return
		}
		if !taken {
			r.breach("full", "no message is taken any more: %d wait to be written", r.process.engine.Snapshot().Store.Unwritten)
			return
		}
		if r.Chance(0.05, world.ForWrite, r.now, 1+bunch) {
			if r.write(ctx, true); r.process == nil || r.over() {
				return
			}
		}
	}
}

// notices tells the engine what became of notices, as the service does.
func (r *run) notices(ctx context.Context) {
	p := r.process
	state, err := daemon.NoticesIn(ctx, p.store.Reader, r.believed())
	if err != nil {
		r.fail(err)
		return
	}
	if state.Equal(p.known) {
		return
	}
	p.known = state
	if err := p.steps.Notices(ctx, state); err != nil {
		r.breach("engine", "the engine ended at the state of notices: %v", err)
	}
}

// hotFor is how long readings stay as they came, shorter than in life so that
// runs have packed history.
const hotFor = 2 * time.Hour

// copyAfter is the minute after which a copy of the records is kept.
const copyAfter = 2 * 60

// pack tends the records, as the service does.
func (r *run) pack(ctx context.Context) {
	p := r.process
	if r.disk.failing || r.now-p.packed < 60 {
		return
	}
	p.packed = r.now
	keep := p.facility.Records
	err := upkeep.Tend(ctx, p.store, upkeep.Care{
		Now: r.believed(), HotFor: hotFor, Certain: p.clock.Settled(), HistoryDays: keep.KeepDays, DetailDays: keep.KeepDetailDays,
	})
	if err != nil {
		r.breach("pack", "the records cannot be tended: %v", err)
		return
	}
	if err := r.world.loss.Tend(ctx, p.store, r.broker.connected, r.now > copyAfter); err != nil {
		r.breach("pack", "the file of the records cannot be looked after: %v", err)
	}
}
