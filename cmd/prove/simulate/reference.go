package simulate

import (
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// reference is the plain model that the daemon is checked against, minute by
// minute. It counts minutes of true time, and knows the world as it is.
//
// What it asks for has a margin; what it forbids is only what nobody could
// explain.
type reference struct {
	run     *run
	devices []device
	rooms   map[sensors.RoomID]*roomView
	// linked, unlinked, healthy and failing count the minutes for which the
	// link and the disk have been so while the daemon ran.
	linked, unlinked, healthy, failing int
	// reachable counts the minutes for which a notice could have got through;
	// asked is when the phone last asked to be left alone.
	reachable, asked int
	// active are the alarms that were on a minute ago, with what is known of
	// each.
	active map[alerts.Key]*alarmView
	// lastTime is the daemon's time a minute ago, still for how many minutes
	// it has not moved.
	lastTime time.Time
	still    int
	// witnessed counts the minutes for which two sensors have borne out the
	// machine's clock.
	witnessed int
	// forgot is when the daemon last lost what it had not written: alarms that
	// come on just after are those of before.
	forgot int
	// forgetful is set from then until the daemon runs again.
	forgetful bool
	// open are the alarms of which a person was told and not yet that they
	// are over.
	open map[person]bool
	// knows is the highest priority at which a person was ever told of an
	// incident.
	knows map[hearing]alerts.Priority
}

// roomView is what the daemon could know of a room.
type roomView struct {
	// hot counts the minutes for which a trusted sensor has said too hot, over
	// those for which any has.
	hot, over int
	// was is what over was when it ended, ended the minute of that.
	was, ended int
	// hotLate is when a sensor last said too hot of a while before.
	hotLate int
	// settled is from when the limits of the room are as they are.
	settled int
	// blind counts the minutes for which every sensor has been missing.
	blind int
}

// alarmView is what is known of an alarm that is on.
type alarmView struct {
	occurrence int64
	// since is the minute at which it was first seen on.
	since int
	// hot are the devices that said too hot meanwhile.
	hot map[int]bool
	// incident and priority are those it had when it was last to be told of.
	incident int64
	priority alerts.Priority
	// calling counts the minutes for which people should have been told,
	// unrepeated those since the last call.
	calling, unrepeated int
}

func newReference(r *run) *reference {
	return &reference{
		run: r, devices: make([]device, len(r.sensors)), rooms: map[sensors.RoomID]*roomView{},
		forgot: -forgottenFor - 1, asked: -longestRest, active: map[alerts.Key]*alarmView{}, open: map[person]bool{},
		knows: map[hearing]alerts.Priority{},
	}
}

// Margins in minutes.
const (
	// heatMargin is how much later than its delay heat may be told of.
	heatMargin = 8
	// silenceMargin, blindMargin and partMargin are likewise.
	silenceMargin, blindMargin, partMargin = 12, 10, 8
	// coolWithin is how long before heat is over a sensor must have said so.
	coolWithin = 20
	// forgottenFor is how long the daemon may find again what it lost.
	forgottenFor = 30
	// tellWithin is within how many minutes people are told.
	tellWithin = 20
)

// The delays of conditions in minutes, as alerts/conditions/alarms.md has them.
const (
	silentOnDelay, blindOnDelay, linkOnDelay, storeOnDelay = 15, 3, 2, 1
)

func (f *reference) view(id sensors.RoomID) *roomView {
	v := f.rooms[id]
	if v == nil {
		v = &roomView{settled: f.run.now, hotLate: -backlogBorneOut}
		f.rooms[id] = v
	}
	return v
}

// started and killed take note of the lives of the daemon.
func (f *reference) started() {
	for i := range f.devices {
		f.devices[i].quiet, f.devices[i].live = 0, 0
	}
	for _, v := range f.rooms {
		v.hot, v.blind = 0, 0
	}
	f.linked, f.unlinked, f.healthy, f.failing, f.reachable, f.still = 0, 0, 0, 0, 0, 0
	f.lastTime = f.run.process.engine.Snapshot().Time
	if f.forgetful {
		f.forgot, f.forgetful = f.run.now, false
	}
	for _, a := range f.active {
		a.calling = 0
	}
}

// stepped takes note that the machine's clock is moved: the daemon watches anew
// then, as after a start.
func (f *reference) stepped() {
	for i := range f.devices {
		f.devices[i].quiet = 0
	}
	f.unsettle()
}

func (f *reference) killed() {
	f.forgot, f.forgetful = f.run.now, true
	// What was not written is forgotten, so that what was on may be off.
	for key, a := range f.active {
		if f.run.now-a.since < 60 {
			delete(f.active, key)
		}
	}
}

// edited takes note that limits and sensors are others now.
func (f *reference) edited() { f.unsettle() }

// unsettle takes note that something has changed in rooms.
func (f *reference) unsettle() {
	for _, v := range f.rooms {
		v.settled, v.hot, v.blind = f.run.now+1, 0, 0
	}
}

// observe checks the daemon after each minute of its life.
func (f *reference) observe() {
	r := f.run
	now := r.process.engine.Snapshot()
	f.progress(now)
	f.parts(now)
	for i := range f.devices {
		d := &f.devices[i]
		if !r.broker.connected {
			continue
		}
		onChange, silent := r.sensors[i].Plan.Form == world.ChangeForm, !r.sensors[i].There()
		switch {
		case onChange && !silent && d.known:
			// Its word that it is there holds, and so does what it said last.
			d.vouched(r.now)
		case onChange && silent:
			// What it said before counts no more once it is back.
			d.known, d.gone = false, true
			d.quiet++
		case d.gone:
			d.gone, d.quiet = false, 0
		case d.heard != r.now:
			d.quiet++
		}
	}
	on := map[alerts.Key]*snapshot.Alarm{}
	for i := range now.Alarms {
		if a := &now.Alarms[i]; a.Active {
			on[a.Key] = a
		}
	}
	for _, m := range r.site.Rooms {
		f.room(&m, on)
	}
	f.homeless(on)
	f.doubt(on)
	f.changes(on)
	f.telling(now, on)
}

// progress checks that the daemon's time goes on, and is right when the
// machine's has been for long. Where nothing beside that clock tells the time a
// person must say that it is right; the daemon then has to ask for it, and where
// two sensors bear the clock out it has not.
func (f *reference) progress(now *snapshot.Snapshot) {
	r := f.run
	if now.Time.Sub(f.lastTime) < 20*time.Second {
		f.still++
	} else {
		f.still = 0
	}
	f.lastTime = now.Time
	if f.still > 8 {
		r.breach("clock", "the daemon's time has stood at %s for %d min", now.Time.Format("2006-01-02 15:04"), f.still)
	}
	wrong := slices.IndexFunc(now.Alarms, func(a snapshot.Alarm) bool { return a.Key.Condition == "clock_wrong" && a.Active })
	asking := wrong >= 0
	count(r.clock.ahead == 0 && f.witnesses() >= 2, &f.witnessed, new(int))
	if f.witnessed > timeAgain && asking {
		r.breach("clock", "the clock of the machine and those of two sensors have been right for %d min, and people are told that it is wrong: %s", f.witnessed, now.Alarms[wrong].Detail)
	}
	if off := now.Time.Sub(r.trueTime()).Abs(); !asking && r.clock.ahead == 0 && r.now-max(r.clock.changed, r.process.began) > timeAgain && off > 2*time.Minute {
		r.breach("clock", "the clock of the machine has been right for %d min, and the daemon's is %s off", timeAgain, off.Truncate(time.Minute))
	}
}

// count counts a minute of one of two things.
func count(is bool, yes, no *int) {
	if is {
		*yes, *no = *yes+1, 0
	} else {
		*yes, *no = 0, *no+1
	}
}

// parts counts for how long link, disk and phone have been as they are.
func (f *reference) parts(*snapshot.Snapshot) {
	r := f.run
	count(r.broker.connected, &f.linked, &f.unlinked)
	count(r.disk.failing, &f.failing, &f.healthy)
	if r.phone.asks {
		f.asked = r.now
	}
	if r.phone.down || r.phone.asks || r.phone.refuses || r.disk.failing {
		f.reachable = 0
	} else {
		f.reachable++
	}
}

// occupied reports whether animals have stood in a room for a while.
func (w *affairs) occupied(id sensors.RoomID) (certain, possible bool) {
	for _, c := range w.cohorts {
		possible = possible || c.astray
		if c.room != id || !c.ended.IsZero() {
			continue
		}
		possible = true
		certain = certain || c.entered && !c.disturbed
	}
	return certain, possible
}

// room checks one room against what its sensors said.
func (f *reference) room(m *site.Room, on map[alerts.Key]*snapshot.Alarm) {
	r, v := f.run, f.view(m.ID)
	list := r.site.SensorsIn(m.ID)
	hot, over, missing := false, false, len(list) > 0
	for _, one := range list {
		d, s := &f.devices[one.Device.Index], one.Device
		if d.known && d.valueC > m.HeatC-calibratedMost {
			over = true
		}
		alone := s.Plan.Form.OwnTime() && r.unsure() && f.witnesses() < 2 // one clock against another
		if d.known && d.valueC > m.HeatC+0.5 && !alone && s.Trusted(r.now) && !d.vague && r.now-d.heard <= s.Plan.Interval+1 {
			hot = true
		}
		if s.Plan.Form == world.SparkplugForm && d.vague || d.quiet <= silentAfter(s) {
			missing = false
		}
		f.silence(one, d, on)
	}
	certain, possible := r.world.occupied(m.ID)
	hot = hot && certain && r.broker.connected && r.now > v.settled
	var none int
	count(hot, &v.hot, &none)
	if over = over && possible; !over && v.over > 0 {
		v.was, v.ended = v.over, r.now
	}
	count(over, &v.over, &none)
	count(missing && r.broker.connected && r.now > v.settled, &v.blind, &none)
	heat, blind := alerts.Key{Condition: "heat", Room: m.ID}, alerts.Key{Condition: "room_blind", Room: m.ID}
	if v.hot > r.site.OnDelay()+heatMargin && on[heat] == nil {
		r.breach("heat unseen", "a sound sensor of %s has said more than %g °C for %d min, and nobody is told of heat", m.ID, m.HeatC, v.hot)
	}
	if v.blind > blindOnDelay+blindMargin && on[blind] == nil {
		r.breach("blind unseen", "no sensor of %s has been heard for %d min more than is its habit, and nobody is told that it is blind", m.ID, v.blind)
	}
}

// homeless checks that a cohort without a room is told of.
func (f *reference) homeless(on map[alerts.Key]*snapshot.Alarm) {
	r := f.run
	for _, c := range r.world.cohorts {
		if c.room != "" || c.astray || !c.entered || !c.ended.IsZero() {
			c.homeless = 0
			continue
		}
		if c.homeless++; c.homeless > partMargin && on[alerts.Key{Condition: "cohort_unwatched", Subject: string(c.id)}] == nil {
			r.breach("homeless unseen", "%s has stood in no room of the configuration for %d min, and nobody is told", c.id, c.homeless)
		}
	}
}

// silence checks that a silent sensor is missed.
func (f *reference) silence(one *site.Sensor, d *device, on map[alerts.Key]*snapshot.Alarm) {
	s := one.Device
	key := alerts.Key{Condition: "sensor_silent", Room: one.Room, Subject: string(one.ID)}
	if d.quiet > silentAfter(s)+silentOnDelay+silenceMargin && f.run.now > f.view(one.Room).settled+silentAfter(s)+silentOnDelay+silenceMargin && on[key] == nil {
		f.run.breach("silence unseen", "%s has not been heard for %d min, and nobody is told", one.ID, d.quiet)
	}
}

// changes looks at alarms that came on or went off within the minute.
func (f *reference) changes(on map[alerts.Key]*snapshot.Alarm) {
	for key, a := range on {
		v := f.active[key]
		if v == nil || v.occurrence != a.Occurrence {
			f.falseAlarm(a)
			v = &alarmView{occurrence: a.Occurrence, since: f.run.now, hot: map[int]bool{}}
			f.active[key] = v
		}
		if m := f.run.site.Room(key.Room); key.Condition == "heat" && m != nil {
			for _, one := range f.run.site.SensorsIn(key.Room) {
				if d := &f.devices[one.Device.Index]; d.known && d.valueC > m.HeatC {
					v.hot[one.Device.Index] = true
				}
			}
		}
	}
	for key, v := range f.active {
		if on[key] == nil {
			f.cleared(key, v)
			delete(f.active, key)
			for who := range f.open {
				if who.key == key {
					delete(f.open, who)
				}
			}
		}
	}
}
