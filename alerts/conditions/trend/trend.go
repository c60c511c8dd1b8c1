// Package trend remembers how the air of a room went in the last minutes and over
// the last day: which way it goes, what is usual there, and whether outside air
// came in.
package trend

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/air"
)

// SlopeWindow is what a slope is taken over.
const SlopeWindow = 20 * time.Minute

const (
	// sampleEvery spaces the samples of a trend, window is how far back they go.
	sampleEvery = time.Minute
	window      = 40 * time.Minute
	// A slope wants this many samples over this stretch.
	leastSamples = 5
	leastStretch = 12 * time.Minute
	// dayHours is how many hours the memory of the usual range holds.
	dayHours = 25
)

// Sample is the centre of a room's air at one time.
type Sample struct {
	Time time.Time `json:"t"`
	// C is the temperature in °C.
	C float64 `json:"c"`
	// W is the humidity ratio in grams of vapour per kilogram of dry air, 0
	// where the humidity was not known.
	W float64 `json:"w,omitempty"`
	// RH is the relative humidity in percent, 0 where not known.
	RH float64 `json:"rh,omitempty"`
	// D is by how much the warmest sensor is above the coldest, in °C.
	D float64 `json:"d,omitempty"`
	// Over is by how much the room is warmer than outdoors in °C, 0 where that
	// is not known.
	Over float64 `json:"over,omitempty"`
}

// Hour is the range of a room's air within one clock hour.
type Hour struct {
	Start time.Time `json:"start"`
	LowC  float64   `json:"low_c"`
	HighC float64   `json:"high_c"`
	// LowW and HighW are in g/kg, 0 where the humidity was not known.
	LowW  float64 `json:"low_w,omitempty"`
	HighW float64 `json:"high_w,omitempty"`
	// MeanRH is the mean relative humidity of N samples in percent. A
	// visitor at the door lowers the least of an hour, hardly its mean.
	MeanRH float64 `json:"mean_rh,omitempty"`
	N      int     `json:"n,omitempty"`
	// HighD is the largest difference between sensors in °C.
	HighD float64 `json:"high_d,omitempty"`
	// HighOver is the most by which the room was warmer than outdoors in °C.
	HighOver float64 `json:"high_over,omitempty"`
	// Loss is the most moisture lost in a sustained way, Rest the most in one
	// stretch; see Range.
	Loss float64 `json:"loss,omitempty"`
	Rest float64 `json:"rest,omitempty"`
}

// Trend remembers the last minutes of a room's air in detail and the last day
// by the hour, and what follows from them.
type Trend struct {
	Samples []Sample `json:"samples,omitempty"`
	Hours   []Hour   `json:"hours,omitempty"`
	// Told is what was told of hours after the fact.
	Told []Told `json:"told,omitempty"`
	// Temperature is the slope in °C per hour, Moisture that of the natural
	// logarithm of the humidity ratio per hour.
	Temperature Slope `json:"temperature,omitzero"`
	Moisture    Slope `json:"moisture,omitzero"`
	// Early and Late are the slopes of temperature over the two halves of
	// the window, in °C per hour: a room that levels off differs in them.
	Early float64 `json:"early,omitempty"`
	Late  float64 `json:"late,omitempty"`
}

// Slope is a robust slope with its uncertainty.
type Slope struct {
	Known bool `json:"known,omitempty"`
	// PerHour lies between Low and High with some certainty.
	PerHour float64 `json:"per_hour,omitempty"`
	Low     float64 `json:"low,omitempty"`
	High    float64 `json:"high,omitempty"`
}

// Air is the air of a room at one time; nil for what is not known.
type Air struct {
	Time time.Time
	// TemperatureC and HumidityPercent are its centre, OutdoorC is the
	// temperature outdoors in °C.
	TemperatureC, HumidityPercent, OutdoorC *float64
	// PressurePa is the air pressure; standard if zero.
	PressurePa float64
	// SpreadC is by how much the warmest sensor is above the coldest, in °C.
	SpreadC float64
}

// Add takes in the air. It keeps at most one sample a minute and works the
// slopes out anew when it keeps one.
func (tr Trend) Add(in *Air) Trend {
	if in.TemperatureC == nil || math.IsNaN(*in.TemperatureC) || math.Abs(*in.TemperatureC) > 1000 {
		return tr
	}
	n := len(tr.Samples)
	if n > 0 && in.Time.Sub(tr.Samples[n-1].Time) < sampleEvery {
		return tr
	}
	// Rounded far below what sensors resolve, to keep the memory small.
	s := Sample{Time: in.Time, C: rounded(*in.TemperatureC, 1e3), W: rounded(in.humidityRatio(), 1e4), D: rounded(in.SpreadC, 1e2)}
	if s.W > 0 {
		s.RH = rounded(*in.HumidityPercent, 1e2)
	}
	if in.OutdoorC != nil {
		s.Over = rounded(s.C-*in.OutdoorC, 1e2)
	}
	first := 0
	for first < n && in.Time.Sub(tr.Samples[first].Time) > window {
		first++
	}
	// Copies, never changes in place: older memories share the arrays.
	tr.Samples = append(slices.Clone(tr.Samples[first:]), s)
	tr.Hours = addHour(tr.Hours, s)
	last := &tr.Hours[len(tr.Hours)-1]
	last.Rest = max(last.Rest, rounded(tr.loss(tr.before(len(tr.Samples)-1, leakSpan), len(tr.Samples)-1), 1e4))
	last.Loss = max(last.Loss, rounded(tr.sustainedLoss(len(tr.Samples)-1), 1e4))
	recent, half := in.Time.Add(-SlopeWindow), in.Time.Add(-SlopeWindow/2)
	tr.Temperature = robustSlope(tr.since(recent), 0.02, celsius)
	tr.Moisture = robustSlope(tr.since(recent), 0.002, func(s Sample) (float64, bool) { return math.Log(s.W), s.W > 0 })
	tr.Early = sensors.TheilSen(points(tr.between(recent, half), celsius))
	tr.Late = sensors.TheilSen(points(tr.since(half), celsius))
	return tr
}

func rounded(x, parts float64) float64 { return math.Round(x*parts) / parts }

func celsius(s Sample) (float64, bool) { return s.C, true }

// humidityRatio is in g/kg, 0 where it cannot be told.
func (in *Air) humidityRatio() float64 {
	if in.HumidityPercent == nil || in.TemperatureC == nil {
		return 0
	}
	pressure := in.PressurePa
	if pressure == 0 {
		pressure = air.StandardPressurePa
	}
	w, err := air.HumidityRatio(*in.TemperatureC, *in.HumidityPercent, pressure)
	if err != nil {
		return 0
	}
	return 1000 * w
}

func addHour(hours []Hour, s Sample) []Hour {
	start := s.Time.Truncate(time.Hour)
	first := 0
	for first < len(hours) && start.Sub(hours[first].Start) >= dayHours*time.Hour {
		first++
	}
	hours = slices.Clone(hours[first:])
	if n := len(hours); n == 0 || !hours[n-1].Start.Equal(start) {
		hours = append(hours, Hour{Start: start, LowC: s.C, HighC: s.C, LowW: s.W, HighW: s.W})
	}
	h := &hours[len(hours)-1]
	h.HighD, h.HighOver = max(h.HighD, s.D), max(h.HighOver, s.Over)
	h.LowC, h.HighC = min(h.LowC, s.C), max(h.HighC, s.C)
	if s.W > 0 {
		h.HighW = max(h.HighW, s.W)
		h.LowW = lowest(h.LowW, s.W)
		h.N++
		h.MeanRH = rounded(h.MeanRH+(s.RH-h.MeanRH)/float64(h.N), 1e4)
	}
	return hours
}

// Now is the median of the last samples, so that noise at a threshold does not
// make a judgement flicker. There must be a sample.
func (tr Trend) Now() Sample {
	recent := tr.Samples[max(0, len(tr.Samples)-5):]
	last := recent[len(recent)-1]
	pick := func(value func(Sample) float64) float64 {
		values := make([]float64, len(recent))
		for i, s := range recent {
			values[i] = value(s)
		}
		return sensors.Median(values)
	}
	s := Sample{Time: last.Time, C: pick(func(s Sample) float64 { return s.C }), D: pick(func(s Sample) float64 { return s.D }), Over: last.Over}
	if last.W > 0 {
		s.W = pick(func(s Sample) float64 { return s.W })
		s.RH = pick(func(s Sample) float64 { return s.RH })
	}
	return s
}

// lowest is the lower of two values of which 0 means that there is none.
func lowest(a, b float64) float64 {
	if a == 0 || b > 0 && b < a {
		return b
	}
	return a
}

func (tr Trend) since(from time.Time) []Sample { return tr.between(from, time.Time{}) }

// between returns the samples from a time up to another; zero for no end.
func (tr Trend) between(from, to time.Time) []Sample {
	first, _ := slices.BinarySearchFunc(tr.Samples, from, func(s Sample, t time.Time) int { return s.Time.Compare(t) })
	last := len(tr.Samples)
	if !to.IsZero() {
		last, _ = slices.BinarySearchFunc(tr.Samples, to, func(s Sample, t time.Time) int { return cmp.Or(s.Time.Compare(t), -1) })
	}
	return tr.Samples[first:last]
}

// points are hours since the first sample, and the value.
func points(samples []Sample, value func(Sample) (float64, bool)) []sensors.XY {
	list := make([]sensors.XY, 0, len(samples))
	for _, s := range samples {
		if y, ok := value(s); ok {
			list = append(list, sensors.XY{X: s.Time.Sub(samples[0].Time).Hours(), Y: y})
		}
	}
	return list
}

// robustSlope gives the slope with bounds three standard errors away, taken
// from the median absolute residual. Noise is never taken as smaller than
// least, for a sensor that reports steps of 0.1 can look free of it.
func robustSlope(samples []Sample, least float64, value func(Sample) (float64, bool)) Slope {
	list := points(samples, value)
	n := len(list)
	if n < leastSamples || list[n-1].X-list[0].X < leastStretch.Hours() {
		return Slope{}
	}
	slope := sensors.TheilSen(list)
	rest := make([]float64, n)
	meanX := 0.0
	for i, p := range list {
		rest[i] = p.Y - slope*p.X
		meanX += p.X / float64(n)
	}
	middle := sensors.Median(slices.Clone(rest))
	spread := 0.0
	for i, p := range list {
		rest[i] = math.Abs(rest[i] - middle)
		spread += (p.X - meanX) * (p.X - meanX)
	}
	// 1.4826 makes the median absolute deviation a standard deviation for
	// normal noise.
	sigma := max(1.4826*sensors.Median(rest), least)
	bound := 3 * sigma / math.Sqrt(spread)
	return Slope{Known: true, PerHour: slope, Low: slope - bound, High: slope + bound}
}

// Move moves it to other times by a span, with the clock.
func (tr Trend) Move(by time.Duration) Trend {
	tr.Samples, tr.Hours, tr.Told = slices.Clone(tr.Samples), slices.Clone(tr.Hours), slices.Clone(tr.Told)
	for i := range tr.Samples {
		tr.Samples[i].Time = tr.Samples[i].Time.Add(by)
	}
	for i := range tr.Hours {
		tr.Hours[i].Start = tr.Hours[i].Start.Add(by)
	}
	for i := range tr.Told {
		tr.Told[i].Start = tr.Told[i].Start.Add(by)
	}
	return tr
}
