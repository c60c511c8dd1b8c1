package roomair

import (
	"math"
	"math/bits"
	"slices"
	"time"

	"rearguard/daemon/development"
	"rearguard/sensors"
)

// daysKept is how many past days a curve remembers for expectations of the
// air to come.
const daysKept = 14

// enoughHours is how many measured hours make a day that counts.
const enoughHours = 18

// Day is the curve at the whole hours of one day in UTC.
type Day struct {
	Date  time.Time   `json:"date,omitzero"`
	HourC [24]float64 `json:"hour_c"`
	// Known has a bit for each hour that was measured.
	Known uint32 `json:"known"`
}

// Hour returns the curve at an hour of the day, and false where it was not
// measured.
func (d *Day) Hour(h int) (float64, bool) { return d.HourC[h], d.Known&(1<<h) != 0 }

// hours is how many hours of the day were measured.
func (d *Day) hours() int { return bits.OnesCount32(d.Known) }

// record keeps the curve at a whole hour of measured time.
func (c *Curve) record(hour time.Time, temperatureC float64) {
	hour = hour.UTC()
	if date := hour.Truncate(24 * time.Hour); !date.Equal(c.Today.Date) {
		if c.Today.hours() >= enoughHours {
			// Copies of the curve share the past days: never write into them.
			c.Past = append(slices.Clip(c.Past[max(0, len(c.Past)+1-daysKept):]), c.Today)
		}
		c.Today = Day{Date: date}
	}
	c.Today.HourC[hour.Hour()] = math.Round(temperatureC*1000) / 1000
	c.Today.Known |= 1 << hour.Hour()
}

// Habit is what a room's recent days have in common.
type Habit struct {
	// HourC is the temperature in °C at each full hour of the day in UTC:
	// the median of the days.
	HourC [24]float64 `json:"hour_celsius"`
	// Days is how many days it was learned from.
	Days int `json:"days"`
	// DayMeanSDC is by how much day means stray from the expectation, a
	// standard deviation in °C; Persistence the correlation of that error from
	// one day to the next.
	DayMeanSDC  float64 `json:"day_mean_sd_celsius"`
	Persistence float64 `json:"persistence"`
	// LastC is the error of the newest day in °C.
	LastC float64 `json:"last_celsius"`
}

// What is believed of a room's day means before any day is known, and how many
// days that belief is worth: common practice, no published source.
const (
	priorDayMeanSDC  = 0.7
	priorPersistence = 0.5
	priorDays        = 3
	// mostPersistence keeps the error from being taken for permanent.
	mostPersistence = 0.95
)

// Habit returns what the measured days of the curve have in common, and false
// while not even one whole day is known. With expected, the temperature the
// room should have at a time, errors are counted from there and HourC is left
// to the caller.
func (c *Curve) Habit(expected func(time.Time) float64) (Habit, bool) {
	days := c.Past
	if len(days) == 0 {
		return c.firstDay()
	}
	h := Habit{Days: len(days)}
	complete := true
	for hour := range 24 {
		var values []float64
		for i := range days {
			if v, ok := days[i].Hour(hour); ok {
				values = append(values, v)
			}
		}
		if len(values) == 0 {
			complete = false
			continue
		}
		h.HourC[hour] = sensors.Median(values)
	}
	if !complete {
		return c.firstDay()
	}
	if expected == nil {
		expected = func(t time.Time) float64 { return h.HourC[t.UTC().Hour()] }
	}
	h.learnErrors(days, expected)
	return h, true
}

// firstDay is the habit while no whole day has ended yet: the last 24 hours.
func (c *Curve) firstDay() (Habit, bool) {
	h := Habit{DayMeanSDC: priorDayMeanSDC, Persistence: priorPersistence}
	for i, v := range c.Shape {
		if v.Hour.IsZero() || c.Point.Sub(v.Hour) > 2*shapeHours*time.Hour {
			return Habit{}, false
		}
		h.HourC[i] = v.C
	}
	return h, true
}

// learnErrors finds how far and how persistently day means stray. One day on
// which a heater stuck must not make every later forecast vague, so errors
// beyond three robust standard deviations count as that.
func (h *Habit) learnErrors(days []Day, expected func(time.Time) float64) {
	errs := make([]float64, len(days))
	sizes := make([]float64, len(days))
	for i := range days {
		sum := 0.0
		for hour := range 24 {
			if v, ok := days[i].Hour(hour); ok {
				sum += v - expected(days[i].Date.Add(time.Duration(hour)*time.Hour))
			}
		}
		errs[i] = sum / float64(days[i].hours())
		sizes[i] = math.Abs(errs[i])
	}
	h.LastC = errs[len(errs)-1]
	// 1.4826 makes the median of sizes a standard deviation of a normal
	// distribution.
	bound := 3 * max(0.1, 1.4826*sensors.Median(slices.Clone(sizes)))
	for i, e := range errs {
		errs[i] = max(-bound, min(bound, e))
	}
	squares, products, pairs := priorDays*priorDayMeanSDC*priorDayMeanSDC, priorDays*priorPersistence*priorDayMeanSDC*priorDayMeanSDC, priorDays*priorDayMeanSDC*priorDayMeanSDC
	for i, e := range errs {
		squares += e * e
		if i > 0 && days[i].Date.Sub(days[i-1].Date) == 24*time.Hour {
			products += e * errs[i-1]
			pairs += (e*e + errs[i-1]*errs[i-1]) / 2
		}
	}
	h.DayMeanSDC = math.Sqrt(squares / float64(len(errs)+priorDays))
	h.Persistence = max(0, min(mostPersistence, products/pairs))
}

// HourlyPoints is the remembered curve of the last unbroken run of days.
func (c *Curve) HourlyPoints() []development.Point {
	var points []development.Point
	for i := range c.Past {
		day := &c.Past[i]
		for hour := range 24 {
			v, ok := day.Hour(hour)
			if !ok {
				continue
			}
			at := day.Date.Add(time.Duration(hour) * time.Hour)
			if n := len(points); n > 0 && at.Sub(points[n-1].Time) > 6*time.Hour {
				points = points[:0]
			}
			points = append(points, development.Point{Time: at, TemperatureC: v})
		}
	}
	return points
}
