package calibration

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rearguard/sensors"
)

// Stability says when a sensor under test has settled. Values are in the
// quantity's unit.
type Stability struct {
	// Window is the time over which the rest holds.
	Window time.Duration `json:"window"`
	// MinReadings in the window at least.
	MinReadings int `json:"min_readings"`
	// MaxSlope is the largest change per hour of the fitted line, MaxSpread
	// the largest difference between any two readings.
	MaxSlope  float64 `json:"max_slope_per_hour"`
	MaxSpread float64 `json:"max_spread"`
}

// DefaultStability returns the limits used on the bench; common practice, no
// published source. Humidity above a salt needs hours to settle, which the
// slope shows; the window only has to be long enough to see the slope.
func DefaultStability(q sensors.Quantity) Stability {
	if q == sensors.RelativeHumidity {
		return Stability{Window: 30 * time.Minute, MinReadings: 10, MaxSlope: 0.6, MaxSpread: 1}
	}
	return Stability{Window: 10 * time.Minute, MinReadings: 10, MaxSlope: 0.6, MaxSpread: 0.25}
}

// maxBench readings are kept; a faster sensor is thinned to fit the window.
const maxBench = 512

// Bench watches the raw readings of one sensor under test.
type Bench struct {
	limits Stability
	at     []time.Time
	x      []float64
}

// NewBench returns a bench that waits for readings.
func NewBench(limits Stability) *Bench { return &Bench{limits: limits} }

// Observe takes one raw reading. Readings that are no finite number or hardly
// newer than the last, or older, are ignored.
func (b *Bench) Observe(t time.Time, raw float64) {
	if !finite(raw) {
		return
	}
	if n := len(b.at); n > 0 {
		step := t.Sub(b.at[n-1])
		if step < b.limits.Window/maxBench {
			return
		}
		if step > b.limits.Window/2 {
			// What happened in such a silence is not known: begin again.
			b.at, b.x = b.at[:0], b.x[:0]
		}
	}
	b.at, b.x = append(b.at, t), append(b.x, raw)
	old := 0
	for t.Sub(b.at[old]) > b.limits.Window {
		old++
	}
	// One reading older than the window stays, to show that the window is full.
	if old--; old > 0 {
		b.at = append(b.at[:0], b.at[old:]...)
		b.x = append(b.x[:0], b.x[old:]...)
	}
}

// Reset forgets all readings, for the next point.
func (b *Bench) Reset() { b.at, b.x = b.at[:0], b.x[:0] }

// Measurement is what the bench has seen over its window.
type Measurement struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	N    int       `json:"n"`
	// Mean and StdDev (sample) are in the quantity's unit, Slope per hour.
	Mean   float64 `json:"mean"`
	StdDev float64 `json:"std_dev"`
	Slope  float64 `json:"slope_per_hour"`
	Spread float64 `json:"spread"`
	// Resolution is the smallest step between readings, zero if they agree.
	Resolution float64 `json:"resolution"`
	// Stable says that the value may be read now; if not, Waiting says for what.
	Stable  bool   `json:"stable"`
	Waiting string `json:"waiting,omitempty"`
}

// Read returns the present measurement.
func (b *Bench) Read() Measurement {
	m := Measurement{N: len(b.x)}
	if m.N == 0 {
		m.Waiting = "waiting for the first reading"
		return m
	}
	m.From, m.To = b.at[0], b.at[m.N-1]
	low, high, sum, sumT := math.Inf(1), math.Inf(-1), 0.0, 0.0
	hours := func(i int) float64 { return b.at[i].Sub(m.From).Hours() }
	for i, x := range b.x {
		low, high = math.Min(low, x), math.Max(high, x)
		sum += x
		sumT += hours(i)
		if i > 0 {
			if step := math.Abs(x - b.x[i-1]); step > 1e-6 && (m.Resolution == 0 || step < m.Resolution) {
				m.Resolution = step
			}
		}
	}
	n := float64(m.N)
	m.Mean, m.Spread = sum/n, high-low
	var xx, tx, tt float64
	for i, x := range b.x {
		dx, dt := x-m.Mean, hours(i)-sumT/n
		xx, tx, tt = xx+dx*dx, tx+dt*dx, tt+dt*dt
	}
	if m.N > 1 {
		m.StdDev = math.Sqrt(xx / (n - 1))
		m.Slope = tx / tt
	}
	m.Waiting = b.limits.waiting(m)
	m.Stable = m.Waiting == ""
	return m
}

func (s Stability) waiting(m Measurement) string {
	switch seen := m.To.Sub(m.From); {
	case seen < s.Window:
		return fmt.Sprintf("watched for %s, needs %s", seen.Round(time.Second), s.Window)
	case m.N < s.MinReadings:
		return fmt.Sprintf("%d readings, needs %d", m.N, s.MinReadings)
	case math.Abs(m.Slope) > s.MaxSlope:
		return fmt.Sprintf("still moving by %+.2f an hour, wants less than %g", m.Slope, s.MaxSlope)
	case m.Spread > s.MaxSpread:
		return fmt.Sprintf("readings spread over %.2f, wants less than %g", m.Spread, s.MaxSpread)
	}
	return ""
}

// standardUncertainty of the mean as a reading of the sensor: its scatter, not
// divided by the root of the number because readings in a row are not
// independent, and its resolution as a uniform distribution (JCGM 100:2008
// 4.3.7, from memory).
func (m Measurement) standardUncertainty() float64 {
	return math.Hypot(m.StdDev, m.Resolution/math.Sqrt(12))
}

// BenchState is all that a Bench remembers: times in Unix milliseconds and
// raw values.
type BenchState struct {
	At []int64   `json:"at,omitempty"`
	X  []float64 `json:"x,omitempty"`
}

// State returns a checkpoint that later calls do not change.
func (b *Bench) State() BenchState {
	s := BenchState{X: slices.Clone(b.x)}
	for _, t := range b.at {
		s.At = append(s.At, t.UnixMilli())
	}
	return s
}

// Restore continues from a checkpoint.
func (b *Bench) Restore(s BenchState) error {
	if len(s.At) != len(s.X) {
		return fmt.Errorf("restore bench: %d times and %d values", len(s.At), len(s.X))
	}
	b.Reset()
	for i, ms := range s.At {
		if i > 0 && ms <= s.At[i-1] || !finite(s.X[i]) {
			return fmt.Errorf("restore bench: reading %d is out of order or no number", i)
		}
		b.at, b.x = append(b.at, time.UnixMilli(ms).UTC()), append(b.x, s.X[i])
	}
	return nil
}

// Curve returns the raw readings watched, oldest first.
func (b *Bench) Curve() []BenchReading {
	out := make([]BenchReading, len(b.x))
	for i := range b.x {
		out[i] = BenchReading{b.at[i], b.x[i]}
	}
	return out
}

// BenchReading is one raw reading on the bench.
type BenchReading struct {
	Time time.Time
	Raw  float64
}
