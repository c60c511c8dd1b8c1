package rearing

import (
	"fmt"
	"sync"
	"time"

	"rearguard/daemon/development"
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
	// sums[rate][k][h] is the physiological time of course k up to hour h.
	sums map[string][][]float64
}

// NewOutlook plays the forecast through from a time on, for a horizon of up
// to two years.
func NewOutlook(air AirForecast, u AirUncertainty, from time.Time, horizon time.Duration) (*Outlook, error) {
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
	o := &Outlook{from: from, hours: hours, sums: map[string][][]float64{}}
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

// cumulative returns the running integrals of a stage's rate.
func (o *Outlook) cumulative(st *Stage) [][]float64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	if c, ok := o.sums[st.rateKey]; ok {
		return c
	}
	c := make([][]float64, len(o.temps))
	for k, temps := range o.temps {
		c[k] = runningSum(st.Rate, temps)
	}
	o.sums[st.rateKey] = c
	return c
}

func runningSum(rate development.Rate, temps []float64) []float64 {
	sum := make([]float64, len(temps))
	for h := 1; h < len(temps); h++ {
		sum[h] = sum[h-1] + rate.Along(temps[h-1], temps[h], 1.0/24)
	}
	return sum
}

// sumAt is the running integral at hour x.
func sumAt(sum []float64, x float64) float64 {
	h := int(x)
	if h >= len(sum)-1 {
		return sum[len(sum)-1]
	}
	return sum[h] + (sum[h+1]-sum[h])*(x-float64(h))
}

// hourOf is the first hour from x on at which the running integral reaches
// goal, and false when it does not within the outlook. Within an hour the
// integral is taken as a straight line; the error is at most minutes.
func hourOf(sum []float64, x, goal float64) (float64, bool) {
	last := len(sum) - 1
	switch {
	case goal > sum[last]:
		return 0, false
	case goal <= sumAt(sum, x):
		return x, true
	}
	lo, hi := min(int(x), last-1), last
	// A room's days are much alike: begin where the mean rate would end, and
	// widen from there until goal is between.
	if mean := sum[last] / float64(last); mean > 0 {
		guess := lo + int((goal-sum[lo])/mean)
		for reach := 8; guess > lo && guess < hi; reach *= 2 {
			if sum[guess] < goal {
				lo = guess
				guess += reach
			} else {
				hi = guess
				guess -= reach
			}
		}
	}
	for hi-lo > 1 {
		mid := int(uint(lo+hi) >> 1)
		if sum[mid] < goal {
			lo = mid
		} else {
			hi = mid
		}
	}
	if step := sum[hi] - sum[lo]; step > 0 {
		return max(x, float64(lo)+max(0, goal-sum[lo])/step), true
	}
	return max(x, float64(hi)), true
}
