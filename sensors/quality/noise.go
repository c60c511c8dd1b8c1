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
	noiseLearnCount  = 6
	noiseLearnTime   = 24 * noiseWindow
	noiseConfirm     = 2
	noiseRelearn     = 7 * 24
	noiseSmallest    = 1e-3
	noiseBinsPerFold = 4
	// noiseMaxInterval in seconds: a sensor that reports less often samples the
	// room's own cycles at random, which hides its noise and can look like it.
	noiseMaxInterval = 900
)

// noiseState estimates a series' noise hour by hour. The measure is the
// differential spike size of each three readings in a row: what air does is
// smooth, so that it counts as zero, and what the sensor adds shows. The mean
// of an hour's sizes without the largest tenth (doors, mist) is its noise; a
// mean, because most sizes of a coarse sensor are zero.
type noiseState struct {
	// From is the start of the present window; Bins counts sizes by quarter
	// octaves above a thousandth of the unit, Zero those below, Count all.
	From  int64             `json:"from"`
	Count int               `json:"count"`
	Zero  int               `json:"zero"`
	Bins  [noiseBins]uint16 `json:"bins"`
	// Usual is the level that nine of ten windows stay below, Windows how many
	// have taught it since LearnFrom, Now the level of the last window.
	Usual     float64 `json:"usual"`
	Windows   int     `json:"windows"`
	LearnFrom int64   `json:"learn_from"`
	Now       float64 `json:"now"`
	// High counts windows in a row above the limit; Since is the first of them.
	High  int   `json:"high"`
	Since int64 `json:"since"`
}

// noise takes one differential spike size.
func (a *Assessor) noise(at int64, size float64) {
	if a.c.NoiseRatio > 0 && a.s.IntervalSeconds <= noiseMaxInterval {
		a.s.Noise.take(at, size, noiseMinCount, a.noiseFloor(), a.c.NoiseRatio)
	}
}

// noiseFloor is the level below which noise is not told apart. A coarse sensor
// that toggles between two steps at random has a quarter of a step.
func (a *Assessor) noiseFloor() float64 { return a.s.Flat.Step.Resolution / 4 }

// noisy is the noise test: two windows in a row above the limit.
func (a *Assessor) noisy() sensors.Flag {
	s := &a.s.Noise
	if s.High < noiseConfirm {
		return 0
	}
	return a.add(CheckNoise, sensors.Suspect, s.Now/s.usual(a.noiseFloor()), a.c.NoiseRatio, s.Since)
}

// take counts one size and judges the window when it has lasted an hour and
// has at least that many sizes.
func (s *noiseState) take(at int64, size float64, least int, floor, ratio float64) {
	if s.From == 0 {
		s.From = at
	}
	if at-s.From >= noiseWindow && s.Count >= least {
		s.closeWindow(at, floor, ratio)
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

// usual is the level that the ratio is taken to.
func (s *noiseState) usual(floor float64) float64 { return max(s.Usual, floor, 4*noiseSmallest) }

// closeWindow judges the finished window and starts the next.
func (s *noiseState) closeWindow(at int64, floor, ratio float64) {
	s.Now = s.trimmedMean()
	start := s.From
	s.From, s.Count, s.Zero, s.Bins = at, 0, 0, [noiseBins]uint16{}
	learned := s.Windows >= noiseLearnCount && start-s.LearnFrom >= noiseLearnTime
	if learned && s.Now > ratio*s.usual(floor) {
		if s.High == 0 {
			s.Since = start
		}
		s.High++
		if s.High < noiseRelearn {
			return
		}
		// After so many windows it is how the series now is.
		s.Windows, s.Usual = 0, 0
	}
	s.High = 0
	if s.Windows == 0 {
		s.LearnFrom, learned = start, false
	}
	s.Windows = min(s.Windows+1, noiseLearnCount)
	if !learned {
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

// trimmedMean returns the mean of the smallest nine tenths of the sizes.
func (s *noiseState) trimmedMean() float64 {
	keep := s.Count*9/10 - s.Zero
	if keep <= 0 {
		return 0
	}
	sum, left := 0.0, keep
	for i, n := range s.Bins {
		take := min(left, int(n))
		sum += float64(take) * noiseSmallest * math.Exp2((float64(i)+0.5)/noiseBinsPerFold)
		left -= take
	}
	return sum / float64(keep+s.Zero)
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
