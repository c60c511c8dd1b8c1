package forecast

import (
	"fmt"
	"sync"
	"time"

	"rearguard/daemon/rearing/species"
)

// Outlook is a room's air forecast played through as hourly courses. It is
// made once per room and serves every cohort in it, from several goroutines:
// the integral of each rate model over each course is kept.
type Outlook struct {
	from  time.Time
	hours int
	// temps[k][h] is the temperature of course k at hour h after from.
	temps [][]float64

	mu sync.Mutex
	// sums[rate][k] is the physiological time along course k.
	sums map[string][]Integral
}

// NewOutlook plays the forecast through from a time on, for a horizon of up
// to two years.
func NewOutlook(air Air, u AirUncertainty, from time.Time, horizon time.Duration) (*Outlook, error) {
	if u.Scenarios == 0 {
		u.Scenarios = 16
	}
	if u.DayMeanSDC == 0 {
		u.Scenarios = 1
	}
	if n := u.Scenarios; n < 1 || n > 256 || n&(n-1) != 0 {
		return nil, fmt.Errorf("air forecast: %d scenarios; want a power of two up to 256", n)
	}
	if !(u.DayMeanSDC >= 0 && u.DayMeanSDC <= 20) || !(u.Persistence >= 0 && u.Persistence < 1) {
		return nil, fmt.Errorf("air forecast: day mean error %v °C with persistence %v is impossible", u.DayMeanSDC, u.Persistence)
	}
	hours := int(horizon / time.Hour)
	if hours < 1 || hours > 2*366*24 {
		return nil, fmt.Errorf("air forecast: horizon %v is not from one hour to two years", horizon)
	}
	o := &Outlook{from: from, hours: hours, sums: map[string][]Integral{}}
	offsets := u.offsets(hours/24 + 2)
	o.temps = make([][]float64, u.Scenarios)
	for k := range o.temps {
		o.temps[k] = make([]float64, hours+1)
	}
	for h := range hours + 1 {
		c := air.TemperatureC(from.Add(time.Duration(h) * time.Hour))
		if !(c >= -60 && c <= 80) {
			return nil, fmt.Errorf("air forecast: %v °C at %s is impossible", c, from.Add(time.Duration(h)*time.Hour).Format(time.RFC3339))
		}
		day, f := h/24, float64(h%24)/24
		for k := range o.temps {
			o.temps[k][h] = c + offsets[k][day]*(1-f) + offsets[k][day+1]*f
		}
	}
	return o, nil
}

// From is when the outlook begins.
func (o *Outlook) From() time.Time { return o.from }

// Until is when the outlook ends.
func (o *Outlook) Until() time.Time { return o.from.Add(time.Duration(o.hours) * time.Hour) }

// Hours is how many hours the outlook holds.
func (o *Outlook) Hours() int { return o.hours }

// HourOf is a time in hours after From.
func (o *Outlook) HourOf(t time.Time) float64 { return t.Sub(o.from).Hours() }

// HoursOf are times in hours after From.
func (o *Outlook) HoursOf(times []time.Time) []float64 {
	hours := make([]float64, len(times))
	for i, t := range times {
		hours[i] = o.HourOf(t)
	}
	return hours
}

// LastC is the temperature in °C with which the first course ends.
func (o *Outlook) LastC() float64 { return o.temps[0][o.hours] }

// LocalDays lists the starts of the local days from the one that holds from
// to the one after the outlook's end.
func (o *Outlook) LocalDays(from time.Time, loc *time.Location) []time.Time {
	y, m, d := from.In(loc).Date()
	var days []time.Time
	for i := 0; ; i++ {
		day := time.Date(y, m, d+i, 0, 0, 0, 0, loc)
		days = append(days, day)
		if day.After(o.Until()) {
			return days
		}
	}
}

// Integrals are the running integrals of a stage's rate, one for each course.
// The stage must have an end.
func (o *Outlook) Integrals(st *species.Stage) []Integral {
	o.mu.Lock()
	defer o.mu.Unlock()
	if c, ok := o.sums[st.RateKey()]; ok {
		return c
	}
	c := make([]Integral, len(o.temps))
	for k, temps := range o.temps {
		c[k] = runningSum(st.Rate, temps)
	}
	o.sums[st.RateKey()] = c
	return c
}
