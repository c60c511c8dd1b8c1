package timekeeping

import (
	"slices"
	"time"
)

const (
	// agreeing is how far apart two clocks may be that agree: sensors are
	// seldom exact, and their readings take a while to come.
	agreeing = 2 * time.Minute
	// mostLate is how late readings may come without their sensor's clock being
	// behind: some gateways gather them.
	mostLate = time.Hour
)

// look is a beat beside the believed time.
type look struct {
	wall, now time.Time
	// ahead is by how much the wall is ahead of the believed time.
	ahead       time.Duration
	disciplined bool
	witnesses
}

// witnesses are the clocks of sensors, as what they are ahead of the believed
// time by.
type witnesses struct {
	ahead []time.Duration
	most  group
}

// group are witnesses that agree with each other.
type group struct {
	count int
	// ahead is the middle one of them.
	ahead time.Duration
}

// witnessesOf finds the largest group of sensors that agree.
func witnessesOf(sights []time.Duration) witnesses {
	sorted := slices.Clone(sights)
	slices.Sort(sorted)
	w := witnesses{ahead: sorted}
	last := 0
	for first := range sorted {
		last = max(last, first)
		for last < len(sorted) && sorted[last]-sorted[first] <= agreeing {
			last++
		}
		if n := last - first; n > w.most.count {
			w.most = group{n, sorted[first+n/2]}
		}
	}
	return w
}

// near counts the witnesses that agree with a time so far ahead of the
// believed one.
func (w witnesses) near(ahead time.Duration) int {
	n := 0
	for _, a := range w.ahead {
		if (a - ahead).Abs() <= agreeing {
			n++
		}
	}
	return n
}

// here counts the sensors that agree with the believed time, there those that
// agree with the wall.
func (l look) here() int  { return l.near(0) }
func (l look) there() int { return l.near(l.ahead) }

// contradicted reports whether the sensors agree on another time than the
// believed one. A reading cannot come before it was taken, but it can come
// late: only what is later than any delay says that a clock is behind.
func (l look) contradicted() bool {
	return !l.disciplined && l.most.count >= 2 && l.here() == 0 && (l.most.ahead > agreeing || l.most.ahead < -mostLate)
}
