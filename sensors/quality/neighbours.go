package quality

import (
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
)

// NeighbourConfig holds the limits of Neighbours, in the quantity's unit.
type NeighbourConfig struct {
	// Far is how far a sensor may stand from where it usually stands among
	// the others, FarAfter for how long. Until its usual place is learned, it
	// may stand FarUnlearned away.
	Far          float64       `json:"far"`
	FarUnlearned float64       `json:"far_unlearned"`
	FarAfter     time.Duration `json:"far_after"`
	// DriftSize is the smallest departure called drift. DriftSlack a day is
	// forgiven, and DriftSum of the rest is evidence enough (a CUSUM chart).
	DriftSize  float64 `json:"drift_size"`
	DriftSlack float64 `json:"drift_slack"`
	DriftSum   float64 `json:"drift_sum"`
	// UnitJump and NoiseRatio are as in Config. Against the neighbours the
	// noise of a sensor that reports every few minutes shows better.
	UnitJump   float64 `json:"unit_jump"`
	NoiseRatio float64 `json:"noise_ratio"`
}

// DefaultNeighbourConfig returns limits wide enough for shelves that differ.
//
// All are common practice, no published source: 1.5 °C and 8 % for two hours
// are several times what good sensors differ by once their places are known; a
// drift of 0.5 °C and 3 % stands out from the achievable uncertainty of 0.2 K
// and 3 % in WMO-No. 8 (from memory).
func DefaultNeighbourConfig(q sensors.Quantity) NeighbourConfig {
	switch q {
	case sensors.Temperature:
		return NeighbourConfig{
			Far: 1.5, FarUnlearned: 4, FarAfter: 2 * time.Hour,
			DriftSize: 0.5, DriftSlack: 0.15, DriftSum: 0.9, UnitJump: 8, NoiseRatio: 1.8,
		}
	case sensors.RelativeHumidity:
		return NeighbourConfig{
			Far: 8, FarUnlearned: 20, FarAfter: 2 * time.Hour,
			DriftSize: 3, DriftSlack: 1, DriftSum: 6, UnitJump: 10, NoiseRatio: 1.8,
		}
	}
	return NeighbourConfig{}
}

const (
	hourMillis = int64(time.Hour / time.Millisecond)
	dayMillis  = 24 * hourMillis
	learnDays  = 5
	keepDays   = 30
	// minDayHours is how many hours of a day must have readings for its median
	// to stand for it.
	minDayHours = 6
	// smoothSeconds is the time constant over which deviations are averaged:
	// longer than door and mist, shorter than FarAfter.
	smoothSeconds = 900.0
	// noiseMinApart sizes make a window of the noise against the neighbours:
	// more than for a series alone, since the limit is nearer.
	noiseMinApart = 60
)

// member is what Neighbours remembers of one sensor.
type member struct {
	ID sensors.SensorID `json:"id"`
	// At is the newest event time (Unix ms), Value the value then.
	At       int64   `json:"at"`
	Value    float64 `json:"value"`
	Interval float64 `json:"interval_seconds"`
	// Level and Away are Value and its deviation from the room, smoothed.
	Level float64 `json:"level"`
	Away  float64 `json:"away"`
	Seen  bool    `json:"seen"`
	// Apart are the two newest deviations from the others alone, Aparts how
	// many of them there are, and Noise their noise.
	Apart  [2]float64 `json:"apart"`
	Aparts int        `json:"aparts"`
	Noise  noiseState `json:"noise"`
	Step   stepState  `json:"step"`
	// FarSince is when Away went beyond the limit.
	FarSince int64 `json:"far_since"`
	// UnitSince is when the value first looked like another unit.
	UnitSince int64 `json:"unit_since"`
	// Base is where the sensor usually stands; valid when Learned.
	Base    float64 `json:"base"`
	Learned bool    `json:"learned"`

	Deviations
	Drift driftState `json:"drift"`
}

// Deviations gather how far a sensor stands from the room: the present
// hour since the epoch with its sum, the means of the finished hours of the
// day, and the medians of the finished days with their starts (Unix ms).
type Deviations struct {
	Hour     int64       `json:"hour"`
	HourSum  float64     `json:"hour_sum"`
	HourN    int         `json:"hour_n"`
	Hours    [24]float64 `json:"hours"`
	HoursN   int         `json:"hours_n"`
	Days     []float64   `json:"days,omitempty"`
	DayStart []int64     `json:"day_start,omitempty"`
}

// Neighbours compares the sensors of one room that measure the same quantity.
// With fewer than three of them nobody can say which one is wrong, and it
// takes no part. A fault that all sensors share cannot be seen by it.
//
// Each sensor's usual place among the others is learned over five days, so
// that a shelf that is always warmer is not a fault. It is not safe for
// concurrent use.
type Neighbours struct {
	q       sensors.Quantity
	c       NeighbourConfig
	members []*member // sorted by id
	// center is the smoothed room level.
	center   float64
	centerAt int64
	scratch  []float64
	found    [4]Finding
}

// NewNeighbours returns a comparison without sensors; Observe adds them.
func NewNeighbours(q sensors.Quantity, cfg NeighbourConfig) *Neighbours {
	return &Neighbours{q: q, c: cfg}
}

func (n *Neighbours) find(id sensors.SensorID) (int, bool) {
	return slices.BinarySearchFunc(n.members, id, func(m *member, id sensors.SensorID) int {
		return strings.Compare(string(m.ID), string(id))
	})
}

// Observe takes one calibrated reading of one sensor with the flag that its
// Assessor gave, and returns the flag of the comparison: zero when it took no
// part, pass, suspect for a sensor that is far or drifts, fail for one in
// another unit. Give the result to Combine. The findings are valid until the
// next call.
func (n *Neighbours) Observe(id sensors.SensorID, t time.Time, value float64, flag sensors.Flag) (sensors.Flag, []Finding) {
	if math.IsNaN(value) || math.Abs(value) > maxValue || flag == sensors.Missing {
		return 0, nil
	}
	i, ok := n.find(id)
	if !ok {
		n.members = slices.Insert(n.members, i, &member{ID: id})
	}
	m, at := n.members[i], t.UnixMilli()
	if m.Seen && at <= m.At {
		if m.At-at < hourMillis {
			return 0, nil
		}
		// A newest time that far ahead was a wrong clock.
		m.Seen = false
	}
	found := n.found[:0]
	apart, others := n.centerWithout(m, at)
	if center := apart; others >= 2 {
		if kind, _ := inOtherUnit(n.q, value, center+m.Base, n.c.UnitJump); kind != "" {
			if m.UnitSince == 0 {
				m.UnitSince = at
			}
			found = append(found, Finding{kind, sensors.Fail, value, center, millis(m.UnitSince)})
			return sensors.Fail, found
		}
	}
	m.UnitSince = 0
	if flag == sensors.Fail {
		return 0, nil
	}
	if !m.fresh(at) {
		// What went on during a silence is not known.
		m.FarSince, m.Aparts = 0, 0
	}
	m.take(at, value)
	if others >= 2 {
		m.noise(at, value-apart, n.c.NoiseRatio)
	}
	center, count := n.centerAll(at)
	if count < 3 {
		m.FarSince = 0
		return n.answer(0, found, m)
	}
	n.follow(at, center)
	m.away(at, value-center)
	return n.judge(m, at, found)
}

// take stores the newest value and follows the sensor's interval and level.
func (m *member) take(at int64, value float64) {
	if !m.Seen {
		m.Seen, m.At, m.Value, m.Level = true, at, value, value
		return
	}
	seconds := float64(at-m.At) / 1000
	if m.Interval == 0 {
		m.Interval = seconds
	}
	m.Interval += 0.1 * (math.Min(seconds, 3*m.Interval) - m.Interval)
	if step := math.Abs(value - m.Value); step > sameValue {
		m.Step.learn(step)
	}
	m.Level += smoothing(seconds) * (value - m.Level)
	m.At, m.Value = at, value
}

// noise takes the differential spike size of the newest three deviations.
func (m *member) noise(at int64, deviation, ratio float64) {
	if m.Aparts == 2 && ratio > 0 && m.Interval <= noiseMaxInterval {
		m.Noise.take(at, spikeDifferential(m.Apart[0], m.Apart[1], deviation), noiseMinApart, m.Step.Resolution/4, ratio)
	}
	m.Aparts = min(m.Aparts+1, 2)
	m.Apart[0], m.Apart[1] = m.Apart[1], deviation
}

func (m *member) noiseRatio() float64 { return m.Noise.Now / m.Noise.usual(m.Step.Resolution/4) }

// noisiest reports whether no other sensor has become noisier: those beside a
// noisy one see half of its noise in the comparison.
func (n *Neighbours) noisiest(m *member) bool {
	for _, o := range n.members {
		if o != m && o.Noise.High > 0 && o.noiseRatio() > 0.9*m.noiseRatio() {
			return false
		}
	}
	return true
}

// smoothing is the weight of a new value after a time; Padé's form of
// 1-exp(-x) is close enough and always within 0 and 1.
func smoothing(seconds float64) float64 {
	x := math.Max(seconds, 0) / smoothSeconds
	return (x + x*x/2) / (1 + x + x*x/2)
}

// fresh reports whether the value still stands for its place at time at.
func (m *member) fresh(at int64) bool {
	limit := int64(math.Min(math.Max(600, 3*m.Interval), 7200) * 1000)
	return m.Seen && at-m.At <= limit && m.At-at <= hourMillis
}

// centerAll is the median of all fresh sensors, each corrected by its usual
// place, and their number. A single wrong sensor cannot move it beyond its
// neighbours.
func (n *Neighbours) centerAll(at int64) (float64, int) { return n.centerWithout(nil, at) }

func (n *Neighbours) centerWithout(skip *member, at int64) (float64, int) {
	n.scratch = n.scratch[:0]
	for _, m := range n.members {
		if m != skip && m.fresh(at) {
			n.scratch = append(n.scratch, m.Value-m.Base)
		}
	}
	if len(n.scratch) < 2 {
		return 0, len(n.scratch)
	}
	return sensors.Median(n.scratch), len(n.scratch)
}

// follow smooths the room's level.
func (n *Neighbours) follow(at int64, center float64) {
	if n.centerAt == 0 || at-n.centerAt > dayMillis {
		n.center = center
	} else if at > n.centerAt {
		n.center += smoothing(float64(at-n.centerAt)/1000) * (center - n.center)
	}
	n.centerAt = max(n.centerAt, at)
}

// judge compares the smoothed deviation with the limit.
func (n *Neighbours) judge(m *member, at int64, found []Finding) (sensors.Flag, []Finding) {
	limit := n.c.FarUnlearned
	if m.Learned {
		limit = n.c.Far
	}
	size := m.Away - m.Base
	switch {
	case limit <= 0 || math.Abs(size) < 0.7*limit:
		m.FarSince = 0
	case math.Abs(size) > limit && m.FarSince == 0:
		m.FarSince = at
	}
	flag := sensors.Pass
	if m.FarSince != 0 && at-m.FarSince >= n.c.FarAfter.Milliseconds() {
		flag = sensors.Suspect
		found = append(found, Finding{CheckNeighbour, sensors.Suspect, size, limit, millis(m.FarSince)})
	}
	n.learn(m, at)
	return n.answer(flag, found, m)
}

func (n *Neighbours) answer(flag sensors.Flag, found []Finding, m *member) (sensors.Flag, []Finding) {
	if m.Noise.High >= noiseConfirm && n.noisiest(m) {
		flag = sensors.Suspect
		found = append(found, Finding{CheckNoise, sensors.Suspect, m.noiseRatio(), n.c.NoiseRatio, millis(m.Noise.Since)})
	}
	if d := m.Drift; d.Active {
		flag = sensors.Suspect
		found = append(found, Finding{CheckDrift, sensors.Suspect, d.Size, n.driftSize(m), millis(d.Since)})
	}
	return flag, found
}

// Rebase forgets where a sensor usually stands and any drift of it: after a
// calibration, a repair or a move it is learned anew.
func (n *Neighbours) Rebase(id sensors.SensorID) {
	if i, ok := n.find(id); ok {
		n.members[i] = &member{ID: id}
	}
}

// Rewind takes in that the clock was set back to now: sensors that were heard
// later than that are heard anew. Where they usually stand is kept.
func (n *Neighbours) Rewind(now time.Time) {
	at := now.UnixMilli()
	for _, m := range n.members {
		if m.At > at {
			m.Seen, m.FarSince, m.UnitSince, m.Aparts = false, 0, 0, 0
		}
	}
	if n.centerAt > at {
		n.centerAt = 0
	}
}

// Remove forgets a sensor that left the room.
func (n *Neighbours) Remove(id sensors.SensorID) {
	if i, ok := n.find(id); ok {
		n.members = slices.Delete(n.members, i, i+1)
	}
}

// Disagreement returns the largest difference between two fresh sensors at
// time now, each corrected by its usual place, and how many are fresh. With
// two sensors it is all that can be said.
func (n *Neighbours) Disagreement(now time.Time) (spread float64, fresh int) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range n.members {
		if m.fresh(now.UnixMilli()) {
			low, high = math.Min(low, m.Value-m.Base), math.Max(high, m.Value-m.Base)
			fresh++
		}
	}
	if fresh < 2 {
		return 0, fresh
	}
	return high - low, fresh
}

func millis(at int64) time.Time { return time.UnixMilli(at).UTC() }
