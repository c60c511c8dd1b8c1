package simulate

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rearguard/cmd/prove/simulate/files"
	"rearguard/cmd/prove/simulate/world"
)

// begun is what an event did: in words, empty for nothing, and how it ends,
// nil for what does not last.
type begun struct {
	words string
	end   func() string
}

// once is an event that does not last.
func once(format string, args ...any) begun { return begun{words: fmt.Sprintf(format, args...)} }

// kinds are all kinds of events.
func kinds() map[world.Kind]func(context.Context, *run, world.Event) begun {
	return map[world.Kind]func(context.Context, *run, world.Event) begun{
		"heater sticks": heaterSticks, "window open": windowOpen,
		"sensor dies": sensorDies, "sensor stuck": sensorStuck, "sensor lies": sensorLies,
		"sensor late": sensorLate, "sensor clock": sensorClock,
		"sensor absurd": sensorAbsurd, "sensor finds": sensorFinds,
		"broker away": brokerAway, "broker restarts": brokerRestarts, "session lost": sessionLost, "flood": flood,
		"restart": restart, "kill": kill, "disk fails": diskFails, "damage": damage, "records lost": recordsLost,
		"clock step": clockStep, "clock wrong at start": clockWrongAtStart,
		"phone down": phoneDown, "phone asks": phoneAsks, "phone refuses": phoneRefuses,
		world.EnterCohort: enterOne, "move cohort": moveOne, "end cohort": endOne, "count": countOne,
		"acknowledge": acknowledgeOne, "shelve": shelveOne, "calibrate": calibrateOne, "claim": claimOne,
		"edit limit": editLimit, "edit delay": editDelay, "rename room": renameRoom, "remove room": removeRoom,
		"remove sensor": removeSensor, "rename sensor": renameSensor, "remove species": removeSpecies,
	}
}

// Kinds are the names of all kinds of events, in order.
func Kinds() []string {
	var names []string
	for name := range kinds() {
		names = append(names, string(name))
	}
	slices.Sort(names)
	return names
}

func (r *run) anyRoom(e world.Event) *world.Room     { return r.rooms[e.A%len(r.rooms)] }
func (r *run) anySensor(e world.Event) *world.Sensor { return r.sensors[e.A%len(r.sensors)] }

func heaterSticks(_ context.Context, r *run, e world.Event) begun {
	m := r.anyRoom(e)
	m.StuckC = 9 + 6*e.X
	return begun{fmt.Sprintf("the heater of %s sticks", m.ID), func() string {
		m.StuckC = 0
		return fmt.Sprintf("the heater of %s works again", m.ID)
	}}
}

func windowOpen(_ context.Context, r *run, e world.Event) begun {
	m := r.anyRoom(e)
	m.StuckC = -12
	return begun{fmt.Sprintf("a window of %s is left open", m.ID), func() string {
		m.StuckC = 0
		return fmt.Sprintf("the window of %s is closed", m.ID)
	}}
}

func sensorDies(_ context.Context, r *run, e world.Event) begun {
	s := r.anySensor(e)
	s.Silent = true
	return begun{fmt.Sprintf("%s falls silent (its air has %.1f °C)", s.ID, s.Room.AirC), func() string {
		s.Silent, s.Born = false, false
		return fmt.Sprintf("%s is heard again", s.ID)
	}}
}

func sensorStuck(_ context.Context, r *run, e world.Event) begun {
	s := r.anySensor(e)
	v := s.Reads(r.now, r.Dice)
	s.Stuck = &v
	return begun{fmt.Sprintf("%s sticks at %.1f °C", s.ID, v), func() string {
		s.Stuck = nil
		s.SpoiltUntil = r.now + 60
		return fmt.Sprintf("%s measures again", s.ID)
	}}
}

func sensorLies(_ context.Context, r *run, e world.Event) begun {
	s := r.anySensor(e)
	s.LyingC = 2 + 8*e.X
	return begun{fmt.Sprintf("%s begins to say %.1f °C too much", s.ID, s.LyingC), func() string {
		s.LyingC = 0
		s.SpoiltUntil = r.now + 60
		return fmt.Sprintf("%s says the truth again", s.ID)
	}}
}

func sensorAbsurd(_ context.Context, r *run, e world.Event) begun {
	s := r.anySensor(e)
	s.Absurd = true
	return begun{fmt.Sprintf("%s says now and then what nothing can measure", s.ID), func() string {
		s.Absurd = false
		s.SpoiltUntil = r.now + 60
		return fmt.Sprintf("%s says only what can be", s.ID)
	}}
}

func sensorLate(_ context.Context, r *run, e world.Event) begun {
	s := r.anySensor(e)
	if !s.Plan.Form.OwnTime() || s.Plan.Form == world.SparkplugForm {
		return begun{}
	}
	s.Late = true
	return begun{fmt.Sprintf("%s has no network and keeps its readings", s.ID), func() string {
		s.Late = false
		s.SpoiltUntil = r.now + 30
		return fmt.Sprintf("%s has its network again", s.ID)
	}}
}

// sensorFinds has a sensor publish one reading that it took hours ago.
func sensorFinds(_ context.Context, r *run, e world.Event) begun {
	s, ago := r.anySensor(e), 60+e.B%(11*60)
	if !s.Plan.Form.OwnTime() || s.Plan.Form == world.SparkplugForm || !r.site.Hears(s) || s.Silent || s.Late || s.Clock != 0 || ago > r.now {
		return begun{}
	}
	m := s.Find(r.now, ago, r.trueTime(), r.Dice)
	r.broker.publish(m)
	r.ledger = append(r.ledger, m.Said)
	s.SpoiltUntil = max(s.SpoiltUntil, r.now+30)
	return once("%s publishes a reading that it took %d min ago", s.ID, ago)
}

func sensorClock(_ context.Context, r *run, e world.Event) begun {
	s := r.anySensor(e)
	if !s.Plan.Form.OwnTime() {
		return begun{}
	}
	s.Clock = time.Duration((e.X - 0.5) * float64(4*time.Hour)).Truncate(time.Second)
	return begun{fmt.Sprintf("the clock of %s is set %s wrong", s.ID, s.Clock.Truncate(time.Minute)), func() string {
		s.Clock = 0
		s.SpoiltUntil = r.now + 150
		return fmt.Sprintf("the clock of %s is right again", s.ID)
	}}
}

func brokerAway(_ context.Context, r *run, _ world.Event) begun {
	r.broker.away = true
	return begun{"the broker cannot be reached", func() string {
		r.broker.away = false
		return "the broker can be reached again"
	}}
}

func brokerRestarts(_ context.Context, r *run, _ world.Event) begun {
	r.broker.drop()
	if r.process != nil {
		// It is back before the daemon has noticed.
		still := true
		r.broker.told = &still
	}
	return once("the broker restarts and gives again what was not acknowledged")
}

func sessionLost(_ context.Context, r *run, _ world.Event) begun {
	r.broker.drop()
	r.broker.forget()
	r.ref.lostSession()
	return once("the broker restarts and has forgotten the session")
}

func flood(_ context.Context, r *run, e world.Event) begun {
	n := 200 + e.A%800
	for _, m := range world.Junk(n, r.world.junk) {
		r.broker.publish(m)
	}
	r.world.junk += n
	return once("somebody publishes %d messages on topics of no sensor", n)
}

// away is for how many minutes a daemon that stops is gone: mostly short.
func away(e world.Event) int {
	if e.B%4 == 0 {
		return e.For
	}
	return e.B % 5
}

func restart(ctx context.Context, r *run, e world.Event) begun {
	if r.process == nil {
		return begun{}
	}
	r.stop(ctx)
	r.world.startAt = r.now + away(e)
	return once("the daemon is stopped, for %d min", away(e))
}

func kill(_ context.Context, r *run, e world.Event) begun {
	if r.process == nil {
		return begun{}
	}
	r.world.startAt, r.world.killed = r.now+away(e), true
	switch where := e.A % 4; where {
	case 0:
		r.kill()
		return once("the daemon is killed, for %d min", away(e))
	default:
		r.disk.cut = cut(where)
		words := [...]string{beforeCommit: "before", withinCommit: "within", afterCommit: "after"}[where]
		return once("the daemon is killed %s its next commit, for %d min", words, away(e))
	}
}

func diskFails(_ context.Context, r *run, _ world.Event) begun {
	r.disk.failing, r.world.diskFailed = true, true
	return begun{"the disk is full", func() string {
		r.disk.failing = false
		return "the disk has room again"
	}}
}

func damage(ctx context.Context, r *run, e world.Event) begun {
	if r.process == nil || r.world.damaged {
		return begun{}
	}
	r.stop(ctx)
	if r.over() {
		return begun{}
	}
	r.world.before, r.world.startAt = nil, r.now
	done, err := files.Damage(r.disk.path(), e.A)
	if err != nil {
		r.fail(err)
	}
	if !done {
		return once("the daemon is restarted")
	}
	r.world.damaged = true
	return once("a packed day in the records is damaged, and the daemon restarted")
}

// setClock sets the machine's clock.
func (r *run) setClock(ahead time.Duration) {
	r.clock = machineClock{ahead: ahead, changed: r.now}
	r.world.unclear = true
	r.ref.stepped()
}

// wrongBy is by how much a clock is wrong: by minutes, hours or a year.
func wrongBy(e world.Event) time.Duration {
	by := [...]time.Duration{10 * time.Minute, 2 * time.Hour, 26 * time.Hour, 365 * 24 * time.Hour}[e.A%4]
	if e.B%2 == 0 {
		return -by
	}
	return by
}

func clockStep(_ context.Context, r *run, e world.Event) begun {
	r.setClock(wrongBy(e))
	return begun{fmt.Sprintf("the clock of the machine jumps by %s", wrongBy(e)), func() string {
		r.setClock(0)
		return "the clock of the machine is set right"
	}}
}

func clockWrongAtStart(ctx context.Context, r *run, e world.Event) begun {
	if r.process == nil {
		return begun{}
	}
	by := wrongBy(e)
	if e.A%3 == 0 {
		by = time.Unix(0, 0).Sub(r.trueTime())
	}
	r.stop(ctx)
	r.setClock(by)
	r.world.startAt = r.now + 1
	return begun{fmt.Sprintf("the machine restarts with its clock at %s", r.wall().Format("2006-01-02 15:04")), func() string {
		r.setClock(0)
		return "the clock of the machine is set right"
	}}
}

func phoneDown(_ context.Context, r *run, _ world.Event) begun {
	r.phone.down = true
	return begun{"the phone does not answer", func() string {
		r.phone.down = false
		return "the phone answers again"
	}}
}

func phoneAsks(_ context.Context, r *run, e world.Event) begun {
	r.phone.asks, r.phone.after = true, [...]time.Duration{0, time.Minute, 24 * time.Hour}[e.A%3]
	return begun{fmt.Sprintf("the phone asks to be left alone for %s", r.phone.after), func() string {
		r.phone.asks = false
		return "the phone takes notices again"
	}}
}

func phoneRefuses(_ context.Context, r *run, _ world.Event) begun {
	r.phone.refuses = true
	return begun{"the phone refuses what it is sent", func() string {
		r.phone.refuses = false
		return "the phone takes notices again"
	}}
}
