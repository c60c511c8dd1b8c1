package simulate

import (
	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/snapshot"
)

type person struct {
	name string
	key  alerts.Key
}

// hearing is what a person may have heard of: an incident, by its number.
type hearing struct {
	name   string
	number int64
}

// everybody are the people of the roster.
var everybody = []string{"lead", "keeper"}

// repeatWithin is within how many minutes a call that nobody acknowledges is
// repeated, by priority, with a margin; low ones are not.
var repeatWithin = map[alerts.Priority]int{alerts.Critical: 15 + 20, alerts.High: 30 + 20, alerts.Medium: 4*60 + 20}

// A phone that asks to be left alone is, for so many minutes with news of a
// priority, as alerts/notify says.
var restOf = map[alerts.Priority]int{alerts.Critical: 5, alerts.High: 5, alerts.Medium: 30, alerts.Low: longestRest}

const longestRest = 60

// telling checks that people are told of what is on: each alarm, or something of
// its incident that is as urgent.
func (f *reference) telling(now *snapshot.Snapshot, on map[alerts.Key]*snapshot.Alarm) {
	r := f.run
	for key, a := range on {
		v := f.active[key]
		if v == nil {
			continue
		}
		i := now.IncidentWith(a)
		if a.State != alerts.Unacknowledged || a.Under != nil || f.reachable == 0 || i == nil || i.TakenBy != "" || !i.EndedAt.IsZero() {
			v.calling, v.unrepeated = 0, 0
			continue
		}
		v.incident, v.priority = i.Number, a.Priority
		v.calling++
		v.unrepeated++
		// The rest that the phone asked for goes on while the daemon is stopped.
		asked := r.now - f.asked - restOf[a.Priority]
		if most := repeatWithin[a.Priority]; most > 0 && min(v.unrepeated, asked) > most {
			r.breach("unrepeated", "%s has been on for %d min since the last call, and nobody acknowledged it or was told again", key, v.unrepeated)
		}
		for _, name := range everybody {
			heard := f.knows[hearing{name, i.Number}]
			if min(v.calling, asked) > tellWithin && heard < a.Priority && !f.forgottenEnd(heard) {
				r.breach("untold", "%s has been on for %d min, and %s was not told", key, v.calling, name)
			}
		}
	}
}

// forgottenEnd reports whether the daemon may not have written that an incident
// ended of which somebody was told, when it was killed or could not write: after
// the next start it is on as before, and told.
func (f *reference) forgottenEnd(heard alerts.Priority) bool {
	return (f.run.world.killed || f.run.world.diskFailed) && heard > 0
}

// told takes note of a message that came through.
func (f *reference) told(m notify.Message) {
	if f.run.phone.got[m.Notice.Key] > 1 && !f.run.world.diskFailed {
		f.run.breach("told twice", "%s is told twice of one and the same: %s", m.Notice.Recipient, m.Subject)
	}
	f.toldOf(m.Notice.Recipient, &m.Alarm)
	for i := range m.Also {
		f.toldOf(m.Notice.Recipient, &m.Also[i])
	}
}

// toldOf takes note of the news of one alarm.
func (f *reference) toldOf(name string, n *notify.AlarmNotice) {
	who, v := person{name, n.Key}, f.active[n.Key]
	of := hearing{name, n.Occurrence}
	f.knows[of] = max(f.knows[of], n.Priority)
	for _, one := range f.active {
		if one.incident == n.Occurrence && one.priority <= n.Priority {
			one.unrepeated = 0
		}
	}
	switch n.Kind {
	case notify.Raised:
		// Each move of the clock is news.
		if n.Key.Condition != "clock_moved" && f.open[who] && v != nil && v.since < f.run.now-30 && v.incident == n.Occurrence && !f.run.world.diskFailed {
			f.run.breach("told again", "%s is told once more that %s has begun", name, n.Key)
		}
		f.open[who] = true
	case notify.Cleared, notify.Over:
		delete(f.open, who)
	case notify.Reminder:
		f.open[who] = true
	}
}
