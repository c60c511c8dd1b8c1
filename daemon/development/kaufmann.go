package development

import "time"

// Kaufmann is how far development at mean temperatures is from development
// along the curve: the effect of a rate that bends, called after Kaufmann
// 1932 (Z. Morphol. Ökol. Tiere 25:353; citation from memory).
type Kaufmann struct {
	// Integrated is the physiological time along the curve, AtMeans that at
	// the mean temperature of each local day.
	Integrated, AtMeans float64
	// Days is how many days the curve touches.
	Days int
}

// Relative returns the error of using daily means as a share of the true
// physiological time: -0.1 when means give a tenth too little. It is 0 where
// nothing developed.
func (k Kaufmann) Relative() float64 {
	if k.Integrated == 0 {
		return 0
	}
	return k.AtMeans/k.Integrated - 1
}

// KaufmannEffect compares the rate along a recorded curve with the rate at the
// mean temperature of each local day. Points are as for ByDay.
func KaufmannEffect(rate Rate, points []Point, location *time.Location) (Kaufmann, error) {
	days, err := ByDay(rate, points, location)
	if err != nil {
		return Kaufmann{}, err
	}
	sums, err := ByDay(temperatureSum{}, points, location)
	if err != nil {
		return Kaufmann{}, err
	}
	k := Kaufmann{Integrated: days[len(days)-1].Cumulative, Days: len(days)}
	for _, d := range sums {
		covered := d.Covered.Hours() / 24
		k.AtMeans += rate.PerDay(d.Progress/covered) * covered
	}
	return k, nil
}

// temperatureSum integrates the temperature itself, so that ByDay gives daily
// means. It is no developmental rate: it can be negative.
type temperatureSum struct{}

func (temperatureSum) PerDay(c float64) float64             { return c }
func (temperatureSum) Along(from, to, days float64) float64 { return (from + to) / 2 * days }
func (temperatureSum) Unit() string                         { return "°C days" }
