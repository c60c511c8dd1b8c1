package simulate

import (
	"slices"

	"rearguard/alerts"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/snapshot"
)

// missed is for how many minutes the daemon may have missed the device when an
// alarm came on that tells so.
func (d *device) missed(now int) int {
	if now-d.over <= 4 {
		return max(d.pause, now-d.heard)
	}
	return now - d.heard
}

// jumpBack is within how many minutes the daemon believes a sensor whose values
// jump.
const jumpBack = 5

// backlogBorneOut is within how many minutes the daemon believes that what a
// backlog said of too hot air is over.
const backlogBorneOut = 20

// sound reports whether a sensor is heard, as anybody would see.
func (f *reference) sound(s *world.Sensor) bool {
	r, d := f.run, &f.devices[s.Index]
	if s.Plan.Form == world.ChangeForm && r.now-d.heard > 1 {
		return false // nothing vouches for it
	}
	return d.known && !d.vague && s.Trusted(r.now) && d.missed(r.now) < silentAfter(s)-1 && !(s.Plan.Form.OwnTime() && r.unsure())
}

// falseAlarm checks an alarm that came on.
func (f *reference) falseAlarm(a *snapshot.Alarm) {
	r, v := f.run, f.view(a.Key.Room)
	if r.now-f.forgot <= forgottenFor {
		return
	}
	switch a.Key.Condition {
	case "heat":
		// The delay may have run out just before the air came back, and a jump
		// back is believed only once it is borne out.
		said := v.over
		if r.now-v.ended <= jumpBack {
			said = max(said, v.was+r.now-v.ended)
		}
		if need := r.site.OnDelay() - 2; said < need && r.now-v.hotLate > backlogBorneOut && r.now > v.settled+r.site.OnDelay() {
			r.breach("heat invented", "heat is told of in %s, where it was said to be too hot for %d min", a.Key.Room, said)
		}
	case "sensor_silent":
		for _, one := range r.site.SensorsIn(a.Key.Room) {
			d := &f.devices[one.Device.Index]
			if string(one.ID) == a.Key.Subject && f.sound(one.Device) {
				r.breach("silence invented", "%s is called silent (%s), and was heard %d min ago", one.ID, a.Detail, r.now-d.heard)
			}
		}
	case "room_blind":
		list := r.site.SensorsIn(a.Key.Room)
		sound := len(list) > 0
		for _, one := range list {
			sound = sound && f.sound(one.Device)
		}
		if sound {
			r.breach("blind invented", "%s is called blind (%s), and all of its sensors are heard", a.Key.Room, a.Detail)
		}
	case "broker_lost":
		if f.linked > linkOnDelay+2 {
			r.breach("link invented", "the broker is called lost, and has been there for %d min", f.linked)
		}
	case "store_failing":
		if f.healthy > storeOnDelay+3 && !r.world.damaged {
			r.breach("disk invented", "the records are said to fail, and the disk has been good for %d min", f.healthy)
		}
	}
}

// cleared checks an alarm that went off: heat is over only when the sensors
// that found it say so.
func (f *reference) cleared(key alerts.Key, v *alarmView) {
	r := f.run
	m := r.site.Room(key.Room)
	if key.Condition != "heat" || m == nil {
		return
	}
	astray := slices.ContainsFunc(r.world.cohorts, func(c *cohort) bool { return c.astray })
	if _, possible := r.world.occupied(key.Room); !possible || astray || r.now <= f.view(key.Room).settled+1 {
		return
	}
	for _, one := range r.site.SensorsIn(key.Room) {
		d := &f.devices[one.Device.Index]
		if v.hot[one.Device.Index] && d.valueC > m.HeatC && r.now-d.cool > coolWithin && r.now >= one.Device.SpoiltUntil {
			r.breach("heat forgotten", "heat in %s is said to be over, and the last that %s said, %d min ago, was %.1f °C", key.Room, one.ID, r.now-d.heard, d.valueC)
		}
	}
}
