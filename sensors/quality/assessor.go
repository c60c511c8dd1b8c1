package quality

import (
	"math"
	"time"

	"rearguard/sensors"
)

// lateReset is how many readings in a row, each later than the one before but
// all older than the newest, show that the newest had a wrong time.
const lateReset = 5

// maxValue is beyond any quantity in any unit; it keeps the sums finite.
const maxValue = 1e9

// minGapSeconds bounds the learned gap from below, so that one lost message of
// a fast sensor does not interrupt the comparison.
const minGapSeconds = 600

// Assessor flags the readings of one series as they come. It never looks
// ahead, allocates nothing per reading and holds about a kilobyte. It is not
// safe for concurrent use.
type Assessor struct {
	q     sensors.Quantity
	c     Config
	s     State
	found [12]Finding
	n     int
	amend Amendment
	has   bool
}

// NewAssessor returns an Assessor for one series of quantity q. The config
// should have passed Validate; a limit that is no number never triggers.
func NewAssessor(q sensors.Quantity, cfg Config) *Assessor {
	return &Assessor{q: q, c: cfg, s: State{Quantity: q}}
}

// Assess flags one reading from its event time and calibrated value. Tests
// that are off or still learning take no part in the flag; a test that would
// need an earlier reading and has none makes it not evaluated.
//
// The findings belong to a and are valid until the next call. They are empty
// for a pass. See Amendment for what the reading says about the one before it.
func (a *Assessor) Assess(t time.Time, value float64) (flag sensors.Flag, findings []Finding) {
	a.n, a.has = 0, false
	at := t.UnixMilli()
	if math.IsNaN(value) {
		a.add(CheckValue, sensors.Missing, 0, 0, at)
		return sensors.Missing, a.found[:a.n]
	}
	if math.Abs(value) > maxValue {
		a.add(CheckValue, sensors.Fail, 0, 0, at)
		return sensors.Fail, a.found[:a.n]
	}
	flag = a.spans(t, at, value)
	if !a.dynamic() {
		a.s.Newest = max(a.s.Newest, at)
		return flag, a.found[:a.n]
	}
	if late := a.late(at); late {
		flag = worse(flag, sensors.NotEvaluated)
		return flag, a.found[:a.n]
	}
	a.s.Newest = at
	flag = worse(flag, a.unit(at, value))
	if a.s.Unit.Kind != "" || flag == sensors.Fail {
		// Such a value says nothing about the air; the readings after it are
		// compared with the last that did.
		return flag, a.found[:a.n]
	}
	flag = worse(flag, a.compare(at, value))
	flag = worse(flag, a.flat(at, value))
	flag = worse(flag, a.attenuated(at, value))
	a.s.Before, a.s.Last = a.s.Last, Sample{at, value, flag}
	return flag, a.found[:a.n]
}

// Interrupt says that what comes cannot be compared with what was: after a
// calibration, or a time on the bench. What was learned of the series stays.
func (a *Assessor) Interrupt() {
	a.s.Last, a.s.Before, a.s.WetSince = Sample{}, Sample{}, 0
	a.s.Flat.Count, a.s.Flat.Seconds = 0, 0
	a.s.Unit = unitState{}
}

// Rewind takes in that the clock was set back to now: what is newer than that
// was never so, and is not compared with.
func (a *Assessor) Rewind(now time.Time) {
	if a.s.Newest <= now.UnixMilli() {
		return
	}
	a.s.Newest, a.s.Late, a.s.LateAt = 0, 0, 0
	a.Interrupt()
}

// Amendment returns the correction that the last call of Assess made to the
// reading before, if any.
func (a *Assessor) Amendment() (amendment Amendment, ok bool) {
	if !a.has {
		return Amendment{}, false
	}
	return a.amend, true
}

// dynamic reports whether any test beyond the spans is meant for q.
func (a *Assessor) dynamic() bool {
	return a.q == sensors.Temperature || a.q == sensors.RelativeHumidity
}

func (a *Assessor) add(check Check, flag sensors.Flag, size, limit float64, since int64) sensors.Flag {
	if a.n < len(a.found) {
		a.found[a.n] = Finding{check, flag, size, limit, time.UnixMilli(since).UTC()}
		a.n++
	}
	return flag
}

// spans makes the two tests that need no other reading.
func (a *Assessor) spans(t time.Time, at int64, value float64) sensors.Flag {
	flag := grossRange(value, a.c.Sensor, a.c.User)
	if flag != sensors.Pass {
		span := a.c.Sensor
		if flag == sensors.Suspect {
			span = a.c.User
		}
		limit := span.Low
		if value > span.High {
			limit = span.High
		}
		a.add(CheckGrossRange, flag, value, limit, at)
	}
	if len(a.c.Climate) > 0 {
		if f := climatology(t, value, a.c.HeightMeters, a.c.Climate); f != sensors.Pass {
			flag = worse(flag, a.add(CheckClimatology, f, value, 0, at))
		}
	}
	return flag
}

// late reports whether a reading is not newer than one already seen. Such a
// reading (a backlog, a doubled message) cannot be put into the comparison
// without changing flags already given. When several in a row run forward by
// themselves it was the newest time that was wrong, and the comparison starts
// anew from here.
func (a *Assessor) late(at int64) bool {
	if a.s.Newest == 0 || at > a.s.Newest {
		a.s.Late = 0
		return false
	}
	if at > a.s.LateAt || a.s.Late == 0 {
		a.s.Late++
	}
	a.s.LateAt = at
	if a.s.Late >= lateReset {
		a.s.Late, a.s.Last, a.s.Before, a.s.WetSince = 0, Sample{}, Sample{}, 0
		a.s.Flat.Count, a.s.Flat.Seconds = 0, 0
		return false
	}
	a.add(CheckOrder, sensors.NotEvaluated, float64(a.s.Newest-at)/1000, 0, at)
	return true
}

// gapSeconds is the time after which the last reading is no longer compared.
func (a *Assessor) gapSeconds() float64 {
	if a.c.Gap > 0 {
		return a.c.Gap.Seconds()
	}
	return math.Max(minGapSeconds, 3*a.s.IntervalSeconds)
}

// A step may grow beyond a minute and a single-reading spike beyond ten, since
// the air of a room takes that long to recover.
const (
	stepSeconds  = 60.0
	spikeSeconds = 600.0
)

// scale is how much larger than within a unit of time a change over seconds
// may be. Dividing by the time alone would let any step pass a slow sensor.
func scale(seconds, unit float64) float64 {
	if seconds <= unit {
		return 1
	}
	return math.Sqrt(seconds / unit)
}

// compare makes the tests against the readings before: gap, rate of change,
// spike and noise.
func (a *Assessor) compare(at int64, value float64) sensors.Flag {
	last := a.s.Last
	if last.Flag == 0 {
		a.add(CheckGap, sensors.NotEvaluated, 0, 0, at)
		return sensors.NotEvaluated
	}
	seconds := float64(at-last.At) / 1000
	gap := a.gapSeconds()
	a.learnInterval(seconds)
	if seconds > gap {
		// The clock of a stuck run and of the spike test must not run on
		// through silence.
		a.s.Last, a.s.Before = Sample{}, Sample{}
		return a.add(CheckGap, sensors.NotEvaluated, seconds, gap, last.At)
	}
	if before := a.s.Before; before.Flag != 0 {
		a.spike(before, last, Sample{At: at, Value: value})
		a.noise(at, spikeDifferential(before.Value, last.Value, value))
	}
	flag := sensors.Pass
	step, k := math.Abs(value-last.Value), scale(seconds, stepSeconds)
	if f := above(step, a.c.StepSuspect*k, a.c.StepFail*k); f != sensors.Pass && !a.cameBack(at, value) {
		flag = a.add(CheckRateOfChange, f, step, a.c.StepSuspect*k, at)
	}
	return worse(flag, a.noisy())
}

// cameBack reports whether the step to this value only undoes the step that
// made the last reading suspect: the last one was the wrong one, not this.
func (a *Assessor) cameBack(at int64, value float64) bool {
	if !a.has || a.s.Before.Flag == 0 {
		return false
	}
	k := scale(float64(at-a.s.Before.At)/1000, stepSeconds)
	return math.Abs(value-a.s.Before.Value) <= a.c.StepSuspect*k
}

// spike judges the reading in the middle, now that the one after it is known.
func (a *Assessor) spike(before, mid, next Sample) {
	size := spikeDifferential(before.Value, mid.Value, next.Value)
	k := scale(float64(next.At-before.At)/2000, spikeSeconds)
	if f := above(size, a.c.SpikeSuspect*k, a.c.SpikeFail*k); f != sensors.Pass {
		a.amend = Amendment{
			Time: time.UnixMilli(mid.At).UTC(), Value: mid.Value,
			Was: mid.Flag, Flag: worse(mid.Flag, f), Size: size, Limit: a.c.SpikeSuspect * k,
		}
		a.has = true
	}
}

// learnInterval follows the median of the intervals by steps that shrink as
// more are seen, so that a single long silence hardly moves it.
func (a *Assessor) learnInterval(seconds float64) {
	s := &a.s
	if s.Intervals == 0 {
		s.IntervalSeconds = seconds
	}
	if s.Intervals < 1000 {
		s.Intervals++
	}
	rate := math.Max(0.02, 0.5/float64(s.Intervals))
	switch {
	case seconds > s.IntervalSeconds*(1+rate):
		s.IntervalSeconds *= 1 + rate
	case seconds < s.IntervalSeconds*(1-rate):
		s.IntervalSeconds *= 1 - rate
	default:
		s.IntervalSeconds = seconds
	}
	s.IntervalSeconds = math.Min(math.Max(s.IntervalSeconds, 0.001), 86400)
}
