package forecast

import (
	"fmt"
	"math"
	"sort"
	"time"

	"rearguard/daemon/rearing/internal/strata"
)

// Air is the expected temperature of a room from now on.
type Air interface {
	// TemperatureC returns the expected temperature in °C at t.
	TemperatureC(t time.Time) float64
}

// ConstantAir is a room that stays at one temperature in °C.
type ConstantAir float64

// TemperatureC is the same at all times.
func (c ConstantAir) TemperatureC(time.Time) float64 { return float64(c) }

// DiurnalAir is a room that repeats one day: the mean temperature in °C at
// each full hour of the day in Location, straight lines between.
type DiurnalAir struct {
	HourC    [24]float64
	Location *time.Location
}

// TemperatureC follows the clock of Location, also on the days it is put
// forward or back.
func (d DiurnalAir) TemperatureC(t time.Time) float64 {
	t = t.In(d.Location)
	h := t.Hour()
	f := float64(t.Minute())/60 + float64(t.Second())/3600
	return d.HourC[h] + (d.HourC[(h+1)%24]-d.HourC[h])*f
}

// SettlingAir is air that is off its expectation at a time and comes back to
// it: the error shrinks by the factor Persistence every day.
type SettlingAir struct {
	Air         Air
	From        time.Time
	ErrorC      float64
	Persistence float64
}

// TemperatureC is off by the whole of ErrorC at From and before.
func (a SettlingAir) TemperatureC(t time.Time) float64 {
	days := math.Max(0, t.Sub(a.From).Hours()/24)
	return a.Air.TemperatureC(t) + a.ErrorC*math.Pow(a.Persistence, days)
}

// SetPoint is a temperature that a room is held at from a time of day on.
type SetPoint struct {
	// FromHour is the hour of the day, 0 to just below 24.
	FromHour     float64
	TemperatureC float64
}

// scheduleAir is a room held at set points through the day.
type scheduleAir struct {
	points   []SetPoint
	location *time.Location
}

// NewScheduleAir returns the air of a room held at set points through the day.
func NewScheduleAir(points []SetPoint, loc *time.Location) (Air, error) {
	if len(points) == 0 {
		return nil, fmt.Errorf("a schedule needs at least one set point")
	}
	s := scheduleAir{points: append([]SetPoint(nil), points...), location: loc}
	sort.Slice(s.points, func(i, j int) bool { return s.points[i].FromHour < s.points[j].FromHour })
	for _, p := range s.points {
		if !(p.FromHour >= 0 && p.FromHour < 24) || !(p.TemperatureC >= -20 && p.TemperatureC <= 60) {
			return nil, fmt.Errorf("set point %v °C from hour %v is impossible", p.TemperatureC, p.FromHour)
		}
	}
	return s, nil
}

func (s scheduleAir) TemperatureC(t time.Time) float64 {
	t = t.In(s.location)
	h := float64(t.Hour()) + float64(t.Minute())/60
	// Before the first set point of the day the last one of the day before
	// is still in force.
	c := s.points[len(s.points)-1].TemperatureC
	for _, p := range s.points {
		if p.FromHour <= h {
			c = p.TemperatureC
		}
	}
	return c
}

// tableAir is a given course of temperatures, straight lines between; before
// the first and after the last it stays as there.
type tableAir struct {
	times []time.Time
	temps []float64
}

// NewTableAir returns air that follows the points, which must be in order of
// time: straight lines between, and before the first and after the last as
// there.
func NewTableAir(times []time.Time, temperaturesC []float64) (Air, error) {
	if len(times) == 0 || len(times) != len(temperaturesC) {
		return nil, fmt.Errorf("a table needs as many times as temperatures, and at least one")
	}
	for i := range times {
		if i > 0 && !times[i].After(times[i-1]) {
			return nil, fmt.Errorf("times of a table must rise; entry %d does not", i+1)
		}
		if !(temperaturesC[i] >= -60 && temperaturesC[i] <= 80) {
			return nil, fmt.Errorf("temperature %v °C of entry %d is impossible", temperaturesC[i], i+1)
		}
	}
	return tableAir{times, temperaturesC}, nil
}

func (a tableAir) TemperatureC(t time.Time) float64 {
	i := sort.Search(len(a.times), func(i int) bool { return a.times[i].After(t) })
	switch {
	case i == 0:
		return a.temps[0]
	case i == len(a.times):
		return a.temps[i-1]
	}
	f := float64(t.Sub(a.times[i-1])) / float64(a.times[i].Sub(a.times[i-1]))
	return a.temps[i-1] + (a.temps[i]-a.temps[i-1])*f
}

// AirUncertainty is how far a room's day means stray from the expectation.
type AirUncertainty struct {
	// DayMeanSDC is the standard deviation in °C of the day mean's error.
	DayMeanSDC float64
	// Persistence is the correlation of the error from one day to the next,
	// 0 to below 1 (first-order autoregression).
	Persistence float64
	// Scenarios is the number of courses the error is played through, a power
	// of two from 1 to 256; 0 is 16.
	Scenarios int
}

// offsets returns an error in °C for each scenario and day: stratified normal
// quantiles, paired anew each day, in a first-order autoregression.
func (u AirUncertainty) offsets(days int) [][]float64 {
	n := u.Scenarios
	all := make([][]float64, n)
	for sc := range all {
		all[sc] = make([]float64, days)
		for d := range all[sc] {
			if u.DayMeanSDC == 0 {
				continue
			}
			z := strata.Normal((float64(strata.Pair(sc, n, uint64(d)+77)) + 0.5) / float64(n))
			if d == 0 {
				all[sc][d] = u.DayMeanSDC * z
				continue
			}
			a := u.Persistence
			all[sc][d] = a*all[sc][d-1] + u.DayMeanSDC*math.Sqrt(1-a*a)*z
		}
	}
	return all
}
