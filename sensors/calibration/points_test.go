package calibration

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"rearguard/sensors"
)

// What stands exactly at a limit is still good, and what lies beyond is not.
func TestLimitsOfPoints(t *testing.T) {
	two := func(trueA, readA, trueB, readB float64) error {
		_, err := TwoPoint(Point{True: trueA, Reading: settled(readA, 0)}, Point{True: trueB, Reading: settled(readB, 0)})
		return err
	}
	for _, c := range []struct {
		name string
		got  error
		want error
	}{
		{"20 % apart", two(40, 40, 60, 60), nil},
		{"less apart", two(40, 40, 59.9, 60), ErrTooClose},
		{"15 % off", two(50, 35, 90, 75), nil},
		{"more off", two(50, 34.9, 90, 75), ErrTooLarge},
		{"15 % off in the other direction", two(35, 50, 75, 90), nil},
		{"more off in the other direction", two(35, 50, 75, 90.1), ErrTooLarge},
		{"least gain", checkGain(MinGain), nil},
		{"less gain", checkGain(math.Nextafter(MinGain, 0)), ErrTooLarge},
		{"most gain", checkGain(MaxGain), nil},
		{"more gain", checkGain(math.Nextafter(MaxGain, 2)), ErrTooLarge},
	} {
		if !errors.Is(c.got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
	for mean, want := range map[float64]error{3: nil, -3: nil, 3.001: ErrTooLarge, -3.001: ErrTooLarge} {
		if _, err := OnePoint(IcePoint(settled(mean, 0))); !errors.Is(err, want) {
			t.Errorf("%v °C in ice: %v, want %v", mean, err, want)
		}
	}
	if err := two(40, 40, 55, 55); err == nil || !strings.Contains(err.Error(), "15.0 % apart") {
		t.Errorf("the refusal does not say how far the points are apart: %v", err)
	}
}

// Two limits of uniform distributions in quadrature (JCGM 100:2008 4.3.7):
// 0.26 % published for KCl, and 0.1484 % per °C from Greenspan's polynomial,
// -0.193340 + 2 * 25 * 0.000899706.
func TestUncertaintyOfASalt(t *testing.T) {
	for celsiusError, want := range map[float64]float64{0: 0.150111, 1: 0.172829, 2: 0.227769} {
		p, err := SaltPoint(PotassiumChloride, 25, celsiusError, settled(84, 0))
		if err != nil || math.Abs(p.Uncertainty-want) > 1e-6 {
			t.Errorf("± %v °C: standard uncertainty %.6f %% (%v), want %.6f", celsiusError, p.Uncertainty, err, want)
		}
	}
}

// A sensor that shows tenths does not know its value better than a tenth over
// the root of twelve.
func TestResolutionIsUncertainty(t *testing.T) {
	reading := settled(25, 0.01)
	reading.Resolution = 0.1
	r, err := OnePoint(ReferencePoint("thermometer 7", 25, 0.06, reading))
	if want := 2 * math.Sqrt(0.03*0.03+0.01*0.01+0.01/12); err != nil || math.Abs(r.Uncertainty()-want) > 1e-9 {
		t.Errorf("uncertainty %v (%v), want %v", r.Uncertainty(), err, want)
	}
}

func TestCertificateOfABadLine(t *testing.T) {
	r := Result{Quantity: sensors.RelativeHumidity, Gain: 2, Points: []Point{{Reading: settled(50, 0)}}}
	if _, err := NewCertificate("1", rh, "Ada", r, time.Time{}, time.Time{}); !errors.Is(err, ErrTooLarge) {
		t.Errorf("a gain of 2 is certified: %v", err)
	}
}
