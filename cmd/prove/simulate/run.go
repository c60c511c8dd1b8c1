package simulate

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// epoch is the true time at which every run begins; midnight is early in it,
// so that most runs pack a day.
var epoch = time.Date(2026, 5, 1, 20, 0, 0, 0, time.UTC)

// run is one run of a plan.
type run struct {
	world.Dice
	ground
	plan *world.Plan
	// now is the minute, within the time that has passed in it.
	now    int
	within time.Duration

	rooms   []*world.Room
	sensors []*world.Sensor
	broker  *broker
	site    *site.Site
	disk    *disk
	phone   *phone
	clock   machineClock
	process *process
	ref     *reference
	world   affairs

	outcome
}

// ground is what all runs stand on: the species, and the bytes of new records.
type ground struct {
	catalogs site.Catalogs
	empty    []byte
}

// affairs are what people and chance have going on.
type affairs struct {
	cohorts []*cohort
	// ending are troubles that last, by when they end.
	ending []ending
	// startAt is the minute at which the daemon is to be started again.
	startAt int
	// edited is set once the configuration was changed in this run, damaged
	// once the records were, unclear once the clock was wrong.
	edited, damaged, unclear bool
	// claiming counts the claims that the daemon has not recorded: should it stop
	// before, the next start takes the claimed sensor for an edit.
	claiming int
	// killed is set once the daemon was killed, diskFailed once it could not
	// write.
	killed, diskFailed bool
	// before is how things stood when the daemon was stopped, nil when it was
	// killed, or is to start with another configuration.
	before *mark
	junk   int
	loss   loss
}

// ending is the end of a trouble.
type ending struct {
	kind world.Kind
	at   int
	end  func() string
}

// outcome is what is told of a run.
type outcome struct {
	ledger []*world.Said
	story  []string
	broken *Breach
	failed error
}

// cohort is a cohort as people know it.
type cohort struct {
	id      population.CohortID
	places  []population.Placement
	started time.Time
	// truly is the true time at which it was entered.
	truly time.Time
	ended time.Time
	// entered is set once the daemon said that it is recorded.
	entered bool
	// room is where it stands now, empty when that room is gone.
	room sensors.RoomID
	// disturbed is set when its air can no longer be worked out from the
	// configuration as it is.
	disturbed bool
	// astray is set while nobody knows in which room it stands.
	astray bool
	// homeless counts the minutes for which its room has been gone.
	homeless int
}

// machineClock is the wall clock of the daemon's machine.
type machineClock struct {
	// ahead is how far it is before true time, changed the minute at which it
	// was set last.
	ahead   time.Duration
	changed int
}

// Breach is a rule that the daemon broke.
type Breach struct {
	Seed uint64 `json:"seed"`
	// Rule names what was broken.
	Rule  string `json:"rule"`
	Story string `json:"story"`

	minute int
}

// trueTime is the time as it truly is, wall what the machine's clock says.
func (r *run) trueTime() time.Time {
	return epoch.Add(time.Duration(r.now)*time.Minute + r.within)
}

func (r *run) wall() time.Time { return r.trueTime().Add(r.clock.ahead) }

// look is what the machine's clocks say, believed the time that the daemon goes
// by.
func (r *run) look() timekeeping.Beat {
	b := timekeeping.Right(r.trueTime())
	b.Wall, b.Disciplined = r.wall(), false
	return b
}

func (r *run) believed() time.Time { return r.process.clock.At(r.look().Elapsed) }

// daemonTime is the daemon's time, true time while it does not run.
func (r *run) daemonTime() time.Time {
	if r.process == nil {
		return r.trueTime()
	}
	return r.believed()
}

// over reports whether the run has come to an end before its time.
func (r *run) over() bool { return r.broken != nil || r.failed != nil }

// fail ends the run for a fault of the simulator's own surroundings.
func (r *run) fail(err error) {
	if r.failed == nil {
		r.failed = err
	}
}

// tell adds a line to the story.
func (r *run) tell(format string, args ...any) {
	r.story = append(r.story, clockText(r.now)+" "+fmt.Sprintf(format, args...))
}

// clockText is a minute of a run as people read it.
func clockText(minute int) string {
	at := epoch.Add(time.Duration(minute) * time.Minute)
	day := int(at.Truncate(24*time.Hour).Sub(epoch.Truncate(24*time.Hour)) / (24 * time.Hour))
	if day == 0 {
		return at.Format("15:04")
	}
	return fmt.Sprintf("%s (day %d)", at.Format("15:04"), day+1)
}

// breach ends the run: a rule is broken.
func (r *run) breach(rule, format string, args ...any) {
	if r.over() {
		return
	}
	r.tell(format, args...)
	r.broken = &Breach{Seed: r.plan.Seed, Rule: rule, Story: strings.Join(r.story, "\n"), minute: r.now}
}

// play plays a plan in a folder of its own and returns what rule was broken,
// nil for none.
func play(ctx context.Context, p *world.Plan, c ground, folder string) (*Breach, error) {
	folder, err := os.MkdirTemp(folder, "run-")
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(folder) }() // what is left is of no use
	r := newRun(p, c, folder)
	r.playAll(ctx)
	if r.process != nil {
		if err := r.process.store.Close(); err != nil {
			r.fail(err)
		}
	}
	return r.broken, r.failed
}

// playAll plays a run to its end and checks it.
func (r *run) playAll(ctx context.Context) {
	if err := r.disk.begin(r.empty); err != nil {
		r.fail(err)
		return
	}
	r.start(ctx)
	for ; r.now < r.plan.Minutes && !r.over(); r.now++ {
		r.minute(ctx)
	}
	if !r.over() {
		final{r}.checkAll(ctx)
	}
}

func newRun(p *world.Plan, c ground, folder string) *run {
	r := &run{Dice: world.Dice(p.Seed), plan: p, ground: c, site: &site.Site{OnMinutes: -1}}
	for i, one := range p.Rooms {
		r.rooms = append(r.rooms, &world.Room{Plan: one, ID: world.RoomID(i), AirC: one.BaseC})
		if !one.Empty {
			r.site.Rooms = append(r.site.Rooms, site.Room{ID: world.RoomID(i), HeatC: one.HeatC, ChillC: one.ChillC})
		}
	}
	for i, one := range p.Sensors {
		s := &world.Sensor{Plan: one, Index: i, ID: world.SensorID(i), Room: r.rooms[one.Room]}
		r.sensors = append(r.sensors, s)
		if !one.Missing && !p.Rooms[one.Room].Empty {
			r.site.Sensors = append(r.site.Sensors, site.Sensor{ID: s.ID, Room: s.Room.ID, Device: s, Unclaimed: one.Unclaimed})
		}
	}
	r.broker = &broker{run: r, retained: map[string]*world.Message{}}
	r.disk = &disk{run: r, folder: folder}
	r.phone = &phone{run: r, got: map[string]int{}}
	r.ref = newReference(r)
	r.world.startAt = -1
	return r
}

// minute lets one minute pass.
func (r *run) minute(ctx context.Context) {
	r.within = 0
	r.befall(ctx)
	for i, m := range r.rooms {
		m.Advance(r.now, r.Dice, i)
	}
	for _, one := range r.site.Sensors {
		if !one.Retired {
			published, said := one.Device.Report(r.now, r.trueTime(), r.Dice)
			for _, m := range published {
				r.broker.publish(m)
			}
			if said != nil {
				r.ledger = append(r.ledger, said)
			}
		}
	}
	r.phone.calls = 0
	if r.process == nil && r.now >= r.world.startAt && !r.over() {
		r.start(ctx)
	}
	if r.process == nil || r.over() {
		return
	}
	// What comes first within a minute is chance.
	for _, step := range r.steps() {
		step(ctx)
		if r.process == nil || r.over() {
			return
		}
	}
	r.ref.observe()
}

// writeWithin is within how many minutes the committer gets its turn.
const writeWithin = 4

// steps are what the daemon does within a minute.
func (r *run) steps() []func(context.Context) {
	steps := []func(context.Context){
		r.connect,
		func(ctx context.Context) {
			if r.broker.connected {
				r.receive(ctx)
			}
		},
		r.tick,
	}
	if r.Chance(0.5, world.ForOrder, r.now, 0) {
		slices.Reverse(steps[1:])
	}
	if r.Chance(0.25, world.ForWrite, r.now, 0) || len(r.process.waiting) > 0 || r.now-r.process.wrote >= writeWithin {
		steps = append(steps, func(ctx context.Context) { r.write(ctx, true) })
	}
	steps = append(steps, r.deliver)
	if r.now%10 == 0 {
		steps = append(steps, r.notices)
	}
	return append(steps, r.pack)
}

// deliver lets the two deliverers of notices do what is due.
func (r *run) deliver(ctx context.Context) {
	p := r.process
	if r.now >= p.deliverAt {
		pause := p.deliver(ctx)
		p.deliverAt = max(p.deliverAt, r.now+1+int(pause/time.Minute))
	}
	if r.disk.failing {
		p.deliverDirectly(ctx)
	}
}

// connect brings the link up or down, and tells the engine of a change.
func (r *run) connect(ctx context.Context) {
	b := r.broker
	switch {
	case b.away && b.connected:
		b.drop()
	case !b.away && !b.connected:
		b.connected = true
		if b.forgot {
			b.forgot, b.lost, b.told = false, r.wall(), nil
		}
		b.retell()
		if err := r.world.loss.Find(ctx, r.process.store); err != nil {
			r.breach("note", "the records cannot be compared with the note of them: %v", err)
		}
	}
	if b.told != nil && *b.told == b.connected {
		return
	}
	now := b.connected
	b.told, b.since = &now, r.now
	if err := r.process.steps.Link(ctx, b.link()); err != nil {
		r.breach("engine", "the engine ended at a change of the link: %v", err)
	}
}

// stuck is the rule that no event takes for ever.
const stuck = "stuck"

// upToDate lets half a minute pass and the daemon look as it does at its end:
// what is shown may be a minute old, and a delay end with it.
func (r *run) upToDate(ctx context.Context) {
	r.within = 30 * time.Second
	if r.tick(ctx); r.over() {
		return
	}
	if err := r.process.steps.Finish(ctx); err != nil {
		r.breach("engine", "the engine failed at its end: %v", err)
	}
}

// stuckAfter is how long one tick may take, by a clock on the wall: a machine
// under load is slow, a loop of a million steps is slower.
const stuckAfter = 10 * time.Second

// tick lets the daemon's time pass.
func (r *run) tick(ctx context.Context) {
	began := time.Now()
	if err := r.process.steps.Tick(ctx, r.look()); err != nil {
		r.breach("engine", "the engine ended at a tick: %v", err)
		return
	}
	if took := time.Since(began); took > stuckAfter {
		r.breach(stuck, "one tick took longer than %s", stuckAfter)
	}
}

// befall begins and ends what the plan has for this minute.
func (r *run) befall(ctx context.Context) {
	kept := r.world.ending[:0]
	for _, e := range r.world.ending {
		if e.at > r.now {
			kept = append(kept, e)
			continue
		}
		if words := e.end(); words != "" {
			r.tell("%s", words)
		}
	}
	r.world.ending = kept
	for _, e := range r.plan.Events {
		// One trouble of a kind is enough at a time.
		if e.At != r.now || r.over() || slices.ContainsFunc(r.world.ending, func(on ending) bool { return on.kind == e.Kind }) {
			continue
		}
		began := kinds()[e.Kind](ctx, r, e)
		if began.words == "" {
			continue
		}
		r.tell("%s", began.words)
		if began.end != nil {
			r.world.ending = append(r.world.ending, ending{e.Kind, r.now + e.For, began.end})
		}
	}
}
