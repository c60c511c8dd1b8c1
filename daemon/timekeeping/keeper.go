package timekeeping

import (
	"fmt"
	"sync"
	"time"
)

const (
	// slewing is the most by which the wall clock may be off from one beat to
	// the next without having been moved: it is followed silently.
	slewing = 2 * time.Second
	// minor is how far a clock may be moved without a second source: no more
	// than people and sensors can tell.
	minor = time.Minute
	// longestDowntime is how long the program may have been down for the wall
	// clock alone to be believed at the start.
	longestDowntime = 7 * 24 * time.Hour
	// settledAfter is how long a clock is followed that only itself bears out
	// before something irreversible may be done by it.
	settledAfter = 24 * time.Hour
)

// Earliest is before any time at which this program ran.
func Earliest() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }

// ground is why the wall clock is not followed.
type ground int

const (
	none ground = iota
	// implausible: it contradicted the records, or the program itself, at the
	// start.
	implausible
	// moved: it was moved while the program ran, and nothing bears that out.
	moved
	// contradicted: the clocks of sensors say otherwise, all of them.
	contradicted
	// inherited: it was doubted when the program ended, and nothing has borne
	// it out since.
	inherited
)

// Keeper keeps the believed time. The engine shows it the clocks; Now may be
// asked from any goroutine. The zero value is ready for Start.
type Keeper struct {
	mu sync.Mutex
	// anchor was believed at elapsed; latest is the newest time given out.
	anchor, latest time.Time
	elapsed        time.Duration
	// newest is the newest time in the records at the start, begun when that
	// was.
	newest time.Time
	begun  time.Duration
	doubt  ground
	words  string
	// borneOut is set once something beside the wall clock agreed with the
	// time, followed is since when nothing was doubted or moved.
	borneOut bool
	followed time.Duration
	// confirming is set when a person has said that the wall clock is right,
	// confirmed as long as that holds.
	confirming, confirmed bool
}

// Start begins to keep the time from a first look at the clocks, the newest
// time in the records, zero for none, and what spoke against the machine's
// clock when the program ended, empty for nothing: by how much it was wrong
// then it can be still, also where it has come to be after the records.
func (k *Keeper) Start(first Beat, newest time.Time, doubted string) Reading {
	k.mu.Lock()
	defer k.mu.Unlock()
	wall := plain(first.Wall)
	k.doubt, k.words, k.borneOut, k.confirmed, k.confirming = none, "", false, false, false
	k.newest, k.begun, k.elapsed, k.followed = newest, first.Elapsed, first.Elapsed, first.Elapsed
	k.anchor = wall
	switch ahead := wall.Sub(newest); {
	case newest.IsZero() && wall.Before(Earliest()):
		k.mistrust(implausible, fmt.Sprintf("it says %s, which is before this program was made", stamp(wall)))
	case newest.IsZero():
	case ahead < -slewing:
		k.mistrust(implausible, fmt.Sprintf("it says %s, but the records go on until %s", stamp(wall), stamp(newest)))
		k.anchor = newest
	case ahead > longestDowntime && !first.Disciplined:
		k.mistrust(implausible, fmt.Sprintf("it says %s, %d days after the end of the records on %s", stamp(wall), int(ahead.Hours()/24), stamp(newest)))
		k.anchor = newest
	case ahead < 0:
		k.anchor = newest
	}
	if k.doubt == none && doubted != "" && !first.Disciplined {
		k.mistrust(inherited, doubted)
	}
	k.latest = k.anchor
	return Reading{Now: k.anchor, Doubt: k.words}
}

// At is the believed time once so much time has passed. It may be asked from
// any goroutine, and goes back only where the time was moved back.
func (k *Keeper) At(elapsed time.Duration) time.Time {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.at(elapsed)
}

// line is what is believed at an instant, whatever was given out since.
func (k *Keeper) line(elapsed time.Duration) time.Time {
	return k.anchor.Add(max(0, elapsed-k.elapsed)).Truncate(time.Millisecond)
}

func (k *Keeper) at(elapsed time.Duration) time.Time {
	now := k.line(elapsed)
	if now.Before(k.latest) {
		return k.latest
	}
	k.latest = now
	return now
}

// Settled reports whether something may be done by the believed time that
// cannot be taken back.
func (k *Keeper) Settled() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.doubt == none && (k.borneOut || k.elapsed-k.followed >= settledAfter)
}

// Confirm says that a person has looked and found the machine's clock right.
// The next beat goes by it.
func (k *Keeper) Confirm() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.confirming = true
}

// Beat takes in a look at the clocks, and by how much the clocks of sensors
// are ahead of the believed time: of those sensors that stamp their readings
// and deliver them as they are taken.
func (k *Keeper) Beat(b Beat, sights []time.Duration) Reading {
	k.mu.Lock()
	defer k.mu.Unlock()
	// The look may be older than what others have asked for meanwhile.
	now := k.line(b.Elapsed)
	l := look{wall: plain(b.Wall), now: now, disciplined: b.Disciplined, witnesses: witnessesOf(sights)}
	l.ahead = l.wall.Sub(now)
	var step *Step
	switch {
	case k.confirming:
		step = k.follow(l, "a person confirmed the clock of this machine", b.Elapsed)
		k.confirmed, k.borneOut, k.confirming = true, true, false
	case k.doubt == none:
		step = k.watch(l, b.Elapsed)
	default:
		step = k.reconsider(l, b.Elapsed)
	}
	if step == nil && k.doubt == none {
		k.slew(l, b.Elapsed)
	} else if step == nil {
		k.anchor, k.elapsed = now, b.Elapsed
	}
	return Reading{Now: k.at(b.Elapsed), Step: step, Doubt: k.words}
}

// watch looks for what speaks against a clock that is followed.
func (k *Keeper) watch(l look, elapsed time.Duration) *Step {
	if l.ahead.Abs() < slewing {
		k.borneOut = k.borneOut || l.disciplined || l.here() > 0
		if k.confirmed || !l.contradicted() {
			return nil
		}
		k.mistrust(contradicted, fmt.Sprintf("it says %s, but the clocks of %d sensors say %s", stamp(l.wall), l.most.count, stamp(l.now.Add(l.most.ahead))))
		return k.reconsider(l, elapsed)
	}
	if why := k.bearsOut(l); why != "" {
		return k.follow(l, why, elapsed)
	}
	words := "nothing bears that out"
	if l.here() > 0 {
		words = "the clocks of sensors did not move with it"
	}
	k.mistrust(moved, fmt.Sprintf("it was moved from %s to %s, and %s", stamp(l.now), stamp(l.wall), words))
	return nil
}

// bearsOut says what agrees with a clock that has been moved, empty for
// nothing.
func (k *Keeper) bearsOut(l look) string {
	switch here, there := l.here(), l.there(); {
	case l.ahead.Abs() <= minor:
		return "the clock of this machine was put right by a little"
	case l.disciplined && (here < 2 || there > 0):
		return "the clock of this machine follows a source of time"
	case there > here:
		return "the clock of this machine agrees with those of sensors"
	case here == 0 && !k.borneOut && l.ahead.Abs() <= longestDowntime && k.plausible(l.wall):
		// Clocks are moved to put them right, and nothing ever bore this one
		// out as it was.
		return "the clock of this machine was moved"
	}
	return ""
}

// plausible reports whether a wall clock would have been believed at the
// start, had it been seen then.
func (k *Keeper) plausible(wall time.Time) bool {
	if k.newest.IsZero() {
		return !wall.Before(Earliest())
	}
	// So much later than the end of the records it is at least.
	least := k.newest.Add(k.elapsed - k.begun)
	return !wall.Before(least.Add(-slewing)) && !wall.After(least.Add(longestDowntime))
}

// reconsider looks for two sources that agree while the wall clock is doubted.
func (k *Keeper) reconsider(l look, elapsed time.Duration) *Step {
	here, there := l.here(), l.there()
	switch {
	case l.disciplined && (k.doubt != moved || here < 2 || there > 0):
		return k.follow(l, "the clock of this machine follows a source of time", elapsed)
	case l.ahead.Abs() < slewing && (k.doubt == moved || (k.doubt == contradicted || k.doubt == inherited && here > 0) && !l.contradicted()):
		return k.follow(l, "", elapsed)
	case there > 0 && there >= here:
		return k.follow(l, "the clock of this machine agrees with those of sensors", elapsed)
	case (k.doubt == implausible || k.doubt == inherited && l.ahead.Abs() > minor) && here == 0 && k.plausible(l.wall):
		return k.follow(l, "the clock of this machine agrees with the records again", elapsed)
	case here == 0 && l.contradicted():
		to := l.now.Add(l.most.ahead).Truncate(time.Millisecond)
		return k.move(l.now, to, fmt.Sprintf("the clocks of %d sensors agree", l.most.count), elapsed)
	}
	return nil
}

func (k *Keeper) mistrust(why ground, words string) {
	k.doubt, k.words, k.confirmed = why, words, false
}

// follow goes by the wall clock from now on, and says by how much the time was
// moved for it, nil for next to nothing.
func (k *Keeper) follow(l look, why string, elapsed time.Duration) *Step {
	k.doubt, k.words, k.followed = none, "", elapsed
	k.borneOut = l.disciplined || l.there() > 0
	k.confirmed = false
	if l.ahead.Abs() < slewing {
		return nil
	}
	return k.move(l.now, l.wall, why, elapsed)
}

// move makes another time the believed one.
func (k *Keeper) move(from, to time.Time, why string, elapsed time.Duration) *Step {
	step := &Step{From: from, To: to, Given: k.latest, Why: why}
	k.anchor, k.latest, k.elapsed = to, to, elapsed
	return step
}

// slew goes along with a wall clock that runs a little fast or slow. Where it
// is behind, the time passes at half its pace until it is not: it never goes
// back.
func (k *Keeper) slew(l look, elapsed time.Duration) {
	next := l.wall
	if l.ahead < 0 {
		next = l.now.Add(-min(-l.ahead, (elapsed-k.elapsed)/2))
	}
	k.anchor, k.elapsed = next, elapsed
}

// plain is a wall time as it is kept: without the monotonic reading, by which
// two times would be compared instead.
func plain(t time.Time) time.Time { return t.Round(0).UTC().Truncate(time.Millisecond) }

func stamp(t time.Time) string { return t.UTC().Format("2 Jan 2006 15:04:05 MST") }
