package simulate

import (
	"slices"
	"time"

	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
)

// device is what the daemon was told by a sensor.
type device struct {
	// valueC is the newest value, trueAt of which minute and heard when.
	valueC        float64
	trueAt, heard int
	known         bool
	// quiet counts the minutes in which it could have been heard and was not.
	quiet int
	// pause is how long the last long silence was, over when it ended.
	pause, over int
	// cool is the minute in which it last said a value within the heat limit.
	cool int
	// gone is set of a sensor that has said that it is gone.
	gone bool
	// vague is set while it is not clear what the daemon makes of it.
	vague bool
	// sparkplug sessions: whether the birth and all since were handed over.
	whole bool
	// live counts the messages in a row that came as they were sent, liveAt is
	// when the last one did: its clock bears another out from the second on.
	live, liveAt int
}

// calibratedMost is by how much a calibration moves what a sensor says at most.
const calibratedMost = 0.15

// silentAfter is after how many minutes a sensor is missed.
func silentAfter(s *world.Sensor) int {
	if s.Plan.Form == world.ChangeForm {
		return 60 // one of which nothing was ever heard
	}
	return max(3*s.Plan.Interval, 5)
}

// heard takes note of a message that is handed to the daemon.
func (f *reference) heard(m *world.Message) {
	said := m.Said
	said.Placed = said.Placed && !f.run.unsure()
	if f.run.unsure() && said.At.Sub(f.run.believed()) > futureTolerance && f.witnesses() < 2 {
		// One clock against another.
		said.Binding = false
	}
	s, d := said.Sensor, &f.devices[m.Said.Sensor.Index]
	i := slices.IndexFunc(f.run.site.Sensors, func(one site.Sensor) bool { return one.Device == s && !one.Unclaimed && !one.Retired })
	if i >= 0 && m.Retained && s.Plan.Form == world.ChangeForm && s.There() {
		// What it said last holds.
		if !d.known || d.valueC != said.ValueC {
			d.valueC, d.trueAt, d.heard, d.known, d.vague = said.ValueC, said.TrueAt, f.run.now, true, true
		}
		return
	}
	if i < 0 || m.Retained || s.Plan.Form == world.SparkplugForm && !d.whole {
		if said.Handed == 1 || i < 0 && !said.Acked {
			said.Binding = false
		}
		d.vague = true
		return
	}
	if said.TrueAt < d.trueAt && d.known {
		return
	}
	if (m.Queued || m.Again) && !s.Plan.Form.OwnTime() && s.Plan.Form != world.ChangeForm {
		// Of unknown age, it says nothing about the present.
		d.vague = true
		return
	}
	late := f.run.now - m.Said.TrueAt
	if !m.Queued && !m.Again {
		if f.run.now-d.liveAt > 2*s.Plan.Interval {
			d.live = 0
		}
		d.live, d.liveAt = d.live+1, f.run.now
	}
	pause, over := d.pause, d.over
	if silence := f.run.now - d.heard; silence > 5 {
		pause, over = silence, f.run.now
	}
	if s.Plan.Form == world.ChangeForm && (!d.known || f.run.now-d.heard > 1) {
		pause, over = longestRun, f.run.now // nothing vouched for it
	}
	cool := d.cool
	switch m := f.run.site.Room(f.run.site.Sensors[i].Room); {
	case m == nil:
	case said.ValueC <= m.HeatC:
		cool = f.run.now
	case late > 1:
		f.view(m.ID).hotLate = f.run.now
	}
	*d = device{pause: pause, over: over, cool: cool, valueC: m.Said.ValueC, trueAt: m.Said.TrueAt, heard: f.run.now, known: true, vague: late > 1 || m.Again, whole: d.whole, live: d.live, liveAt: d.liveAt}
}

// vouched takes note that a sensor that speaks on change is there, and is known
// to be: what it said last holds. While the daemon hears nothing, it does not
// know.
func (d *device) vouched(now int) {
	if now-d.heard > 1 {
		d.pause, d.over = longestRun, now
	}
	d.quiet, d.heard = 0, now
}

// longestRun is longer than any run.
const longestRun = 1 << 20

// futureTolerance is how far ahead a sensor's clock may be, as facility.yaml has
// it by itself.
const futureTolerance = 5 * time.Minute

// witnesses are how many sensors have right clocks of their own and are heard,
// also since the daemon was started.
func (f *reference) witnesses() int {
	n := 0
	for i, s := range f.run.sensors {
		d := &f.devices[i]
		if s.Plan.Form.OwnTime() && f.run.site.Hears(s) && s.Trusted(f.run.now) && d.known && d.live >= 2 && f.run.now-d.liveAt <= 2*s.Plan.Interval {
			n++
		}
	}
	return n
}

// timeAgain is within how many minutes the daemon goes by the machine's clock
// again once that is right.
const timeAgain = 90

// unsure reports whether nobody could tell which is wrong, the clock of the
// machine or those of sensors that have their own: it is that of the machine, or
// was a short while ago, or ever since no other clock was heard. What such sensors say is kept then; at which time, and
// whether it is of the present, is not asked for, and to be told that a room is
// not watched is better than not to be told.
func (r *run) unsure() bool {
	off := r.believed().Sub(r.trueTime()).Abs()
	return r.clock.ahead != 0 || r.world.unclear && (r.now-r.clock.changed <= timeAgain || off > 2*time.Minute)
}

// born takes note of a birth that is handed to the daemon.
func (f *reference) born(s *world.Sensor) { f.devices[s.Index].whole = true }

// lostSession takes note that messages are lost.
func (f *reference) lostSession() {
	for i := range f.devices {
		f.devices[i].whole, f.devices[i].vague = false, true
	}
	f.run.unborn()
}
