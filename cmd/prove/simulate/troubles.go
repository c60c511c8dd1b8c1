package simulate

import (
	"fmt"
	"slices"
	"time"
)

// kindName names a kind of event.
type kindName string

// begun is what an event did: in words, empty for nothing, and how it ends,
// nil for what does not last.
type begun struct {
	words string
	end   func() string
}

// once is an event that does not last.
func once(format string, args ...any) begun { return begun{words: fmt.Sprintf(format, args...)} }

// kinds are all kinds of events.
func kinds() map[kindName]func(*run, event) begun {
	return map[kindName]func(*run, event) begun{
		"heater sticks": heaterSticks, "window open": windowOpen,
		"sensor dies": sensorDies, "sensor stuck": sensorStuck, "sensor lies": sensorLies,
		"sensor late": sensorLate, "sensor clock": sensorClock,
		"broker away": brokerAway, "broker restarts": brokerRestarts, "session lost": sessionLost, "flood": flood,
		"restart": restart, "kill": kill, "disk fails": diskFails, "damage": damage,
		"clock step": clockStep, "clock wrong at start": clockWrongAtStart,
		"phone down": phoneDown, "phone asks": phoneAsks, "phone refuses": phoneRefuses,
		enterCohort: enterOne, "move cohort": moveOne, "end cohort": endOne, "count": countOne,
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

func (r *run) anyRoom(e event) *room     { return r.rooms[e.A%len(r.rooms)] }
func (r *run) anySensor(e event) *sensor { return r.sensors[e.A%len(r.sensors)] }

func heaterSticks(r *run, e event) begun {
	m := r.anyRoom(e)
	m.stuckC = 9 + 6*e.X
	return begun{fmt.Sprintf("the heater of %s sticks", m.id), func() string {
		m.stuckC = 0
		return fmt.Sprintf("the heater of %s works again", m.id)
	}}
}

func windowOpen(r *run, e event) begun {
	m := r.anyRoom(e)
	m.stuckC = -12
	return begun{fmt.Sprintf("a window of %s is left open", m.id), func() string {
		m.stuckC = 0
		return fmt.Sprintf("the window of %s is closed", m.id)
	}}
}

func sensorDies(r *run, e event) begun {
	s := r.anySensor(e)
	s.silent = true
	return begun{fmt.Sprintf("%s falls silent (its air has %.1f °C)", s.id, s.room.airC), func() string {
		s.silent, s.born = false, false
		return fmt.Sprintf("%s is heard again", s.id)
	}}
}

func sensorStuck(r *run, e event) begun {
	s := r.anySensor(e)
	v := s.reads(r.now, r.dice)
	s.stuck = &v
	return begun{fmt.Sprintf("%s sticks at %.1f °C", s.id, v), func() string {
		s.stuck = nil
		s.spoiltUntil = r.now + 60
		return fmt.Sprintf("%s measures again", s.id)
	}}
}

func sensorLies(r *run, e event) begun {
	s := r.anySensor(e)
	s.lyingC = 2 + 8*e.X
	return begun{fmt.Sprintf("%s begins to say %.1f °C too much", s.id, s.lyingC), func() string {
		s.lyingC = 0
		s.spoiltUntil = r.now + 60
		return fmt.Sprintf("%s says the truth again", s.id)
	}}
}

func sensorLate(r *run, e event) begun {
	s := r.anySensor(e)
	if !s.plan.Form.ownTime() || s.plan.Form == sparkplugForm {
		return begun{}
	}
	s.late = true
	return begun{fmt.Sprintf("%s has no network and keeps its readings", s.id), func() string {
		s.late = false
		s.spoiltUntil = r.now + 30
		return fmt.Sprintf("%s has its network again", s.id)
	}}
}

func sensorClock(r *run, e event) begun {
	s := r.anySensor(e)
	if !s.plan.Form.ownTime() {
		return begun{}
	}
	s.clock = time.Duration((e.X - 0.5) * float64(4*time.Hour)).Truncate(time.Second)
	return begun{fmt.Sprintf("the clock of %s is set %s wrong", s.id, s.clock.Truncate(time.Minute)), func() string {
		s.clock = 0
		s.spoiltUntil = r.now + 150
		return fmt.Sprintf("the clock of %s is right again", s.id)
	}}
}

func brokerAway(r *run, _ event) begun {
	r.broker.away = true
	return begun{"the broker cannot be reached", func() string {
		r.broker.away = false
		return "the broker can be reached again"
	}}
}

func brokerRestarts(r *run, _ event) begun {
	r.broker.drop()
	off := true
	r.broker.told = &off
	return once("the broker restarts and gives again what was not acknowledged")
}

func sessionLost(r *run, _ event) begun {
	r.broker.drop()
	off := true
	r.broker.told = &off
	r.broker.forget()
	r.ref.lostSession()
	return once("the broker restarts and has forgotten the session")
}

func flood(r *run, e event) begun {
	n := 200 + e.A%800
	for _, m := range junk(n, r.world.junk) {
		r.broker.publish(m)
	}
	r.world.junk += n
	return once("somebody publishes %d messages on topics of no sensor", n)
}

// away is for how many minutes a daemon that stops is gone: mostly short.
func (e *event) away() int {
	if e.B%4 == 0 {
		return e.For
	}
	return e.B % 5
}

func restart(r *run, e event) begun {
	if r.process == nil {
		return begun{}
	}
	r.stop()
	r.world.startAt = r.now + e.away()
	return once("the daemon is stopped, for %d min", e.away())
}

func kill(r *run, e event) begun {
	if r.process == nil {
		return begun{}
	}
	r.world.startAt, r.world.killed = r.now+e.away(), true
	switch where := e.A % 4; where {
	case 0:
		r.kill()
		return once("the daemon is killed, for %d min", e.away())
	default:
		r.disk.cut = cut(where)
		words := [...]string{beforeCommit: "before", withinCommit: "within", afterCommit: "after"}[where]
		return once("the daemon is killed %s its next commit, for %d min", words, e.away())
	}
}

func diskFails(r *run, _ event) begun {
	r.disk.failing, r.world.diskFailed = true, true
	return begun{"the disk is full", func() string {
		r.disk.failing = false
		return "the disk has room again"
	}}
}

func damage(r *run, e event) begun {
	if r.process == nil || r.world.damaged {
		return begun{}
	}
	r.stop()
	if r.over() {
		return begun{}
	}
	r.world.before, r.world.startAt = nil, r.now
	done, err := r.disk.damage(e.A)
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
}

// wrongBy is by how much a clock is wrong: by minutes, hours or a year.
func (e *event) wrongBy() time.Duration {
	by := [...]time.Duration{10 * time.Minute, 2 * time.Hour, 26 * time.Hour, 365 * 24 * time.Hour}[e.A%4]
	if e.B%2 == 0 {
		return -by
	}
	return by
}

func clockStep(r *run, e event) begun {
	r.setClock(e.wrongBy())
	return begun{fmt.Sprintf("the clock of the machine jumps by %s", e.wrongBy()), func() string {
		r.setClock(0)
		return "the clock of the machine is set right"
	}}
}

func clockWrongAtStart(r *run, e event) begun {
	if r.process == nil {
		return begun{}
	}
	by := e.wrongBy()
	if e.A%3 == 0 {
		by = time.Unix(0, 0).Sub(r.trueTime())
	}
	r.stop()
	r.setClock(by)
	r.world.startAt = r.now + 1
	return begun{fmt.Sprintf("the machine restarts with its clock at %s", r.wall().Format("2006-01-02 15:04")), func() string {
		r.setClock(0)
		return "the clock of the machine is set right"
	}}
}

func phoneDown(r *run, _ event) begun {
	r.phone.down = true
	return begun{"the phone does not answer", func() string {
		r.phone.down = false
		return "the phone answers again"
	}}
}

func phoneAsks(r *run, e event) begun {
	r.phone.asks, r.phone.after = true, [...]time.Duration{0, time.Minute, 24 * time.Hour}[e.A%3]
	return begun{fmt.Sprintf("the phone asks to be left alone for %s", r.phone.after), func() string {
		r.phone.asks = false
		return "the phone takes notices again"
	}}
}

func phoneRefuses(r *run, _ event) begun {
	r.phone.refuses = true
	return begun{"the phone refuses what it is sent", func() string {
		r.phone.refuses = false
		return "the phone takes notices again"
	}}
}
