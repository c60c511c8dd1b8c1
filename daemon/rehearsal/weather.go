package rehearsal

import (
	"math"
	"math/rand/v2"
	"time"
)

// Weather is the air outside and the sun.
type Weather struct {
	TemperatureC    float64
	HumidityPercent float64
	// Sun is the share of noon sun, 0 to 1.
	Sun float64
}

// WaterKgPerKg is the humidity ratio outside.
func (w Weather) WaterKgPerKg() float64 { return waterAt(w.TemperatureC, w.HumidityPercent) }

// Climate makes invented weather: a year, a day, and passing spells.
type Climate struct {
	MeanC, YearSwingC, DaySwingC float64
	// ShiftDays is by how many days the season is ahead of the calendar.
	ShiftDays     int
	rng           *rand.Rand
	spellC, cloud float64
	last          time.Time
}

// NewClimate returns a temperate climate whose spells follow from the seed.
func NewClimate(seed uint64) *Climate {
	return &Climate{MeanC: 10, YearSwingC: 9, DaySwingC: 4, rng: rand.New(rand.NewPCG(seed, 0x57ea))}
}

// At returns the weather at t. Calls must be in order of time.
func (c *Climate) At(t time.Time) Weather {
	if !c.last.IsZero() {
		hours := t.Sub(c.last).Hours()
		// First-order autoregressive spells: three days for warmth, five
		// hours for cloud.
		c.spellC = drift(c.rng, c.spellC, hours, 72, 3)
		c.cloud = drift(c.rng, c.cloud, hours, 5, 0.3)
	}
	c.last = t
	day := float64(t.YearDay()+c.ShiftDays) + float64(t.Hour())/24
	hour := float64(t.Hour()) + float64(t.Minute())/60
	year := -math.Cos(2 * math.Pi * (day - 20) / 365)
	sunHeight := math.Sin(math.Pi * (hour - 7 + year) / (10 + 2*year))
	w := Weather{
		TemperatureC:    c.MeanC + c.YearSwingC*year - c.DaySwingC*math.Cos(2*math.Pi*(hour-3)/24) + c.spellC,
		HumidityPercent: clamp(78-3*c.spellC+12*math.Cos(2*math.Pi*(hour-3)/24), 35, 99),
	}
	if hour > 7-year && hour < 17+year {
		w.Sun = clamp(sunHeight*(0.7+c.cloud), 0, 1)
	}
	return w
}

func drift(rng *rand.Rand, x, hours, memoryHours, spread float64) float64 {
	keep := math.Exp(-hours / memoryHours)
	return x*keep + spread*math.Sqrt(1-keep*keep)*rng.NormFloat64()
}

func clamp(x, lo, hi float64) float64 { return math.Min(hi, math.Max(lo, x)) }

// Probe is an invented sensor: it follows the room with a lag, stands a
// little warmer or colder than the middle of it, and has noise and steps.
type Probe struct {
	OffsetC, OffsetPercent float64
	NoiseC, NoisePercent   float64
	rng                    *rand.Rand
	lagC, lagPercent       float64
	started                bool
}

// NewProbe returns a sensor with the noise of a common capacitive part.
func NewProbe(seed uint64, offsetC float64) *Probe {
	return &Probe{OffsetC: offsetC, NoiseC: 0.03, NoisePercent: 0.3, rng: rand.New(rand.NewPCG(seed, 0x5e45))}
}

// Time constants of the sensing elements, after WMO-No. 8 annex 1.A (20 s for
// air temperature, 40 s for solid-state humidity; from memory).
const (
	lagTemperatureSeconds = 20.0
	lagHumiditySeconds    = 40.0
)

// Read returns temperature in °C and relative humidity in percent as the
// sensor would report them dt after its last report, in steps of 0.01 °C and
// 0.1 %.
func (p *Probe) Read(dt time.Duration, airC, humidityPercent float64) (temperatureC, relativeHumidityPercent float64) {
	if !p.started {
		p.lagC, p.lagPercent, p.started = airC, humidityPercent, true
	}
	s := dt.Seconds()
	p.lagC += (airC - p.lagC) * (1 - math.Exp(-s/lagTemperatureSeconds))
	p.lagPercent += (humidityPercent - p.lagPercent) * (1 - math.Exp(-s/lagHumiditySeconds))
	t := p.lagC + p.OffsetC + p.NoiseC*p.rng.NormFloat64()
	h := clamp(p.lagPercent+p.OffsetPercent+p.NoisePercent*p.rng.NormFloat64(), 0, 100)
	return math.Round(t*100) / 100, math.Round(h*10) / 10
}
