package simulate

import (
	"context"

	"rearguard/alerts"
	"rearguard/cmd/prove/simulate/files"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
)

// loss is what is known of records that are not those of last time.
type loss struct {
	files.Kept
	// real is set from a loss until somebody adopts what is there, asked as long
	// as nobody knows whether that is recorded. Untold and invented count the
	// minutes for which it is not told, or is without reason.
	real, asked      bool
	untold, invented int
}

// recordsLost takes the records away while the daemon is stopped.
func recordsLost(ctx context.Context, r *run, e world.Event) begun {
	l := &r.world.loss
	if r.process == nil || l.real || l.asked || r.disk.failing {
		return begun{}
	}
	if r.stop(ctx); r.over() {
		return begun{}
	}
	words, err := l.Lose(r.disk.path(), e.A)
	if err != nil {
		r.fail(err)
	}
	r.world.before, r.world.startAt = nil, r.now+1
	r.world.damaged, r.world.diskFailed, l.real = true, true, true
	r.ref.killed()
	for _, c := range r.world.cohorts {
		// In a copy they stand where they once did, also those that were closed.
		c.disturbed, c.astray, c.homeless = true, true, 0
	}
	return begun{words, func() string {
		if r.process == nil {
			return ""
		}
		l.real, l.asked = false, true
		r.do(ctx, fold.AdoptRecords{Who: "Lead"}, func() { l.asked = false })
		return "somebody says that the records are the right ones"
	}}
}

// doubt checks that records are called into question exactly when they are not
// those of last time.
func (f *reference) doubt(on map[alerts.Key]*snapshot.Alarm) {
	r, l := f.run, &f.run.world.loss
	told := on[alerts.Key{Condition: "records_doubted"}]
	count(l.real && r.broker.connected && told == nil, &l.untold, new(int))
	count(!l.real && !l.asked && told != nil, &l.invented, new(int))
	if l.untold > partMargin {
		r.breach("loss untold", "the records are not those of last time, and for %d min nobody is told", l.untold)
	}
	if l.invented > partMargin {
		r.breach("loss invented", "nothing of the records was lost that nobody adopted, and for %d min people are told: %s", l.invented, told.Detail)
	}
}
