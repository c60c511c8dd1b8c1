package calibration

import (
	"fmt"
	"math"
)

// Salt is a saturated salt solution in water with crystals left undissolved;
// the air above it has a known relative humidity.
type Salt string

// The salts, driest first.
const (
	LithiumChloride    Salt = "LiCl"
	PotassiumAcetate   Salt = "CH3COOK"
	MagnesiumChloride  Salt = "MgCl2"
	PotassiumCarbonate Salt = "K2CO3"
	MagnesiumNitrate   Salt = "Mg(NO3)2"
	SodiumBromide      Salt = "NaBr"
	PotassiumIodide    Salt = "KI"
	SodiumChloride     Salt = "NaCl"
	PotassiumChloride  Salt = "KCl"
	PotassiumNitrate   Salt = "KNO3"
	PotassiumSulfate   Salt = "K2SO4"
)

// Salts returns all known salts, driest first.
func Salts() []Salt {
	return []Salt{
		LithiumChloride, PotassiumAcetate, MagnesiumChloride, PotassiumCarbonate, MagnesiumNitrate, SodiumBromide,
		PotassiumIodide, SodiumChloride, PotassiumChloride, PotassiumNitrate, PotassiumSulfate,
	}
}

// FixedPoint is what the air above a salt has.
type FixedPoint struct {
	// RelativeHumidity in percent, Uncertainty its published plus or minus.
	RelativeHumidity float64 `json:"relative_humidity_percent"`
	Uncertainty      float64 `json:"uncertainty_percent"`
	// PerCelsius is its change in percent per °C.
	PerCelsius float64 `json:"per_celsius"`
	// Source names where the number comes from.
	Source string `json:"source"`
}

// saltData holds Greenspan's polynomial in °C (Table 1) and, at 20, 25 and
// 30 °C, the humidity and its uncertainty (Table 2).
type saltData struct {
	poly        []float64
	at          [3]float64
	uncertainty [3]float64
	max         float64 // °C up to which the polynomial was fitted, at most 35
}

// data has the fixed points of L. Greenspan, Humidity fixed points of binary
// saturated aqueous solutions, J. Res. NBS 81A(1):89-96 (1977). Copies in
// public code carry wrong signs on LiCl A1, K2CO3 A1 and CH3COOK A2; the signs
// here reproduce the table. The uncertainties are from memory, and so are the
// rows of Mg(NO3)2, NaBr and KI, which have no confirmed polynomial here.
func (s Salt) data() (saltData, bool) {
	switch s {
	case LithiumChloride:
		return saltData{[]float64{11.2323, 0.00824245, -0.000214890}, [3]float64{11.31, 11.30, 11.28}, [3]float64{.31, .27, .24}, 35}, true
	case PotassiumAcetate:
		return saltData{[]float64{22.4388, 0.156288, -0.00612868}, [3]float64{23.11, 22.51, 21.61}, [3]float64{.25, .32, .53}, 30}, true
	case MagnesiumChloride:
		return saltData{[]float64{33.6686, -0.00797397, -0.00108988}, [3]float64{33.07, 32.78, 32.44}, [3]float64{.18, .16, .14}, 35}, true
	case PotassiumCarbonate:
		return saltData{[]float64{43.1315, 0.00147523}, [3]float64{43.16, 43.16, 43.17}, [3]float64{.33, .39, .50}, 30}, true
	case MagnesiumNitrate:
		return saltData{nil, [3]float64{54.38, 52.89, 51.40}, [3]float64{.23, .22, .24}, 30}, true
	case SodiumBromide:
		return saltData{nil, [3]float64{59.14, 57.57, 56.03}, [3]float64{.44, .40, .38}, 30}, true
	case PotassiumIodide:
		return saltData{nil, [3]float64{69.90, 68.86, 67.89}, [3]float64{.26, .24, .23}, 30}, true
	case SodiumChloride:
		return saltData{[]float64{75.5164, 0.0398321, -0.00265459, 2.848e-5}, [3]float64{75.47, 75.29, 75.09}, [3]float64{.14, .12, .11}, 35}, true
	case PotassiumChloride:
		return saltData{[]float64{88.6190, -0.193340, 0.000899706}, [3]float64{85.11, 84.34, 83.62}, [3]float64{.29, .26, .25}, 35}, true
	case PotassiumNitrate:
		return saltData{[]float64{96.3361, 0.0112371, -0.00484514}, [3]float64{94.62, 93.58, 92.31}, [3]float64{.66, .55, .60}, 35}, true
	case PotassiumSulfate:
		return saltData{[]float64{98.7792, -0.0590502}, [3]float64{97.59, 97.30, 97.00}, [3]float64{.53, .45, .40}, 35}, true
	}
	return saltData{}, false
}

// FixedPoint returns the humidity above the salt at a temperature in °C.
//
// Between 20 and 30 °C the uncertainty is interpolated. From 15 to 20 and from
// 30 to 35 °C, where it is not at hand, that of the nearer end is doubled;
// beyond, and there also for salts without a polynomial, the point is refused.
func (s Salt) FixedPoint(celsius float64) (FixedPoint, error) {
	d, ok := s.data()
	if !ok {
		return FixedPoint{}, fmt.Errorf("salt %q: not known: %w", string(s), ErrReference)
	}
	low, high := 15.0, d.max
	if d.poly == nil {
		low = 20
	}
	if !(celsius >= low && celsius <= high) {
		return FixedPoint{}, fmt.Errorf("salt %s at %.1f °C: known from %g to %g °C: %w", s, celsius, low, high, ErrReference)
	}
	p := FixedPoint{Uncertainty: between(d.uncertainty, celsius)}
	if celsius < 20 || celsius > 30 {
		p.Uncertainty *= 2
	}
	if d.poly == nil {
		p.RelativeHumidity = between(d.at, celsius)
		p.PerCelsius = (d.at[2] - d.at[0]) / 10
		p.Source = "Greenspan 1977 Table 2, interpolated; from memory"
		return p, nil
	}
	for i := len(d.poly) - 1; i >= 0; i-- {
		p.PerCelsius = p.PerCelsius*celsius + p.RelativeHumidity
		p.RelativeHumidity = p.RelativeHumidity*celsius + d.poly[i]
	}
	p.Source = "Greenspan 1977 Table 1; uncertainty from memory"
	return p, nil
}

// between interpolates values given at 20, 25 and 30 °C, constant outside.
func between(at [3]float64, celsius float64) float64 {
	x := math.Min(math.Max((celsius-20)/5, 0), 2)
	i := min(int(x), 1)
	return at[i] + (at[i+1]-at[i])*(x-float64(i))
}
