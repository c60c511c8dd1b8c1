package quality

import (
	"math"
	"time"

	"rearguard/sensors"
)

const (
	noiseBins        = 64
	noiseMinCount    = 20
	noiseWindow      = int64(time.Hour / time.Millisecond)
	noiseLearn       = 24
	noiseConfirm     = 2
	noiseRelearn     = 7 * 24
	noiseSmallest    = 1e-3
	noiseBinsPerFold = 4
)

// noiseState estimates a series' noise hour by hour. The measure is the
// differential spike size of each three readings in a row: what air does is
// smooth, so that it counts as zero, and what the sensor adds shows. The third
// quartile of an hour's sizes is that hour's noise.
type noiseState struct {
	// From is the start of the present window; Bins counts sizes by quarter
	// octaves above a thousandth of the unit, Zero those below, Count all.
	From  int64             `json:"from"`
	Count int               `json:"count"`
	Zero  int               `json:"zero"`
	Bins  [noiseBins]uint16 `json:"bins"`
	// Usual is the level that nine of ten windows stay below, Windows how many
	// have taught it, Now that of the last window.
	Usual   float64 `json:"usual"`
	Windows int     `json:"windows"`
	Now     float64 `json:"now"`
	// High counts windows in a row above the limit; Since is the first of them.
	High  int   `json:"high"`
	Since int64 `json:"since"`
}

// noise takes one differential spike size.
func (a *Assessor) noise(at int64, size float64) {
	if a.c.NoiseRatio == 0 {
		return
	}
	s := &a.s.Noise
	if s.From == 0 {
		s.From = at
	}
	if at-s.From >= noiseWindow && s.Count >= noiseMinCount {
		a.closeNoise(at)
	}
	s.Count++
	if size < noiseSmallest {
		s.Zero++
		return
	}
	bin := int(math.Min(math.Log2(size/noiseSmallest)*noiseBinsPerFold, noiseBins-1))
	if s.Bins[bin] < math.MaxUint16 {
		s.Bins[bin]++
	}
}

// closeNoise judges the finished window and starts the next.
func (a *Assessor) closeNoise(at int64) {
	s := &a.s.Noise
	s.Now = s.quartile()
	start := s.From
	s.From, s.Count, s.Zero, s.Bins = at, 0, 0, [noiseBins]uint16{}
	// A coarse sensor's noise cannot be told below half its resolution.
	floor := math.Max(s.Usual, math.Max(a.s.Flat.Resolution/2, 4*noiseSmallest))
	if s.Windows >= noiseLearn && s.Now > a.c.NoiseRatio*floor {
		if s.High == 0 {
			s.Since = start
		}
		s.High++
		if s.High < noiseRelearn {
			return
		}
		// A week of it is how the series now is.
		s.Windows, s.Usual = 0, 0
	}
	s.High = 0
	if s.Windows < noiseLearn {
		s.Windows++
		s.Usual = math.Max(s.Usual, s.Now)
		return
	}
	// Follow the 0.9 quantile in steps of a twentieth.
	if s.Now > s.Usual {
		s.Usual *= 1 + 0.05*0.9
	} else {
		s.Usual *= 1 - 0.05*0.1
	}
}

// quartile returns the third quartile of the window's sizes.
func (s *noiseState) quartile() float64 {
	want := s.Count*3/4 - s.Zero
	if want <= 0 {
		return 0
	}
	for i, n := range s.Bins {
		if want -= int(n); want <= 0 {
			return noiseSmallest * math.Exp2((float64(i)+0.5)/noiseBinsPerFold)
		}
	}
	return noiseSmallest * math.Exp2(noiseBins/noiseBinsPerFold)
}

// noisy is the noise test: two windows in a row above the limit.
func (a *Assessor) noisy() sensors.Flag {
	s := &a.s.Noise
	if s.High < noiseConfirm {
		return 0
	}
	floor := math.Max(s.Usual, math.Max(a.s.Flat.Resolution/2, 4*noiseSmallest))
	return a.add(CheckNoise, sensors.Suspect, s.Now/floor, a.c.NoiseRatio, s.Since)
}

const maxRangeHours = 48

// rangeState holds the extremes of each of the last hours.
type rangeState struct {
	Hour int64                  `json:"hour"`
	Low  [maxRangeHours]float64 `json:"low"`
	High [maxRangeHours]float64 `json:"high"`
	Seen [maxRangeHours]bool    `json:"seen"`
}

// slot maps an hour to its place, also before 1970.
func slot(hour int64) int64 { return (hour%maxRangeHours + maxRangeHours) % maxRangeHours }

// attenuated is the attenuated signal test with the range as its measure. It
// takes part once every hour of the window has been seen.
func (a *Assessor) attenuated(at int64, value float64) sensors.Flag {
	hours := int(a.c.AttenuatedWindow / time.Hour)
	if hours < 1 || hours > maxRangeHours || a.c.AttenuatedSuspect <= 0 {
		return 0
	}
	s := &a.s.Range
	hour := at / noiseWindow
	for h := max(s.Hour+1, hour-maxRangeHours+1); h <= hour; h++ {
		s.Seen[slot(h)] = false
	}
	s.Hour = hour
	i := slot(hour)
	if !s.Seen[i] {
		s.Seen[i], s.Low[i], s.High[i] = true, value, value
	}
	s.Low[i], s.High[i] = math.Min(s.Low[i], value), math.Max(s.High[i], value)
	low, high := s.Low[i], s.High[i]
	for h := hour - int64(hours) + 1; h < hour; h++ {
		j := slot(h)
		if !s.Seen[j] {
			return 0
		}
		low, high = math.Min(low, s.Low[j]), math.Max(high, s.High[j])
	}
	since := at - int64(hours)*noiseWindow
	switch size := high - low; {
	case size < a.c.AttenuatedFail:
		return a.add(CheckAttenuated, sensors.Fail, size, a.c.AttenuatedFail, since)
	case size < a.c.AttenuatedSuspect:
		return a.add(CheckAttenuated, sensors.Suspect, size, a.c.AttenuatedSuspect, since)
	}
	return 0
}
