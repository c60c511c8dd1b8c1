package chunk

import "math"

// floats undoes decimals.
func (d *decoder) floats(dst []float64, ints []int64, scale uint8) []float64 {
	dst = dst[:0]
	if scale > maxScale {
		d.fail()
		return dst
	}
	p := powersOfTen[scale]
	for _, n := range ints {
		dst = append(dst, float64(n)/p)
	}
	return dst
}

// correct applies gain and offset in two rounded steps on every processor:
// without the conversion a compiler may join them into one.
func correct(raw, gain, offset float64) float64 {
	return float64(gain*raw) + offset
}

// fit gives the line through the readings of least and greatest raw number.
func fit(raw, value []float64) (gain, offset float64) {
	lo, hi := 0, 0
	for i, r := range raw {
		if r < raw[lo] {
			lo = i
		}
		if r > raw[hi] {
			hi = i
		}
	}
	gain = 1
	if raw[hi] > raw[lo] {
		gain = (value[hi] - value[lo]) / (raw[hi] - raw[lo])
	}
	return gain, value[lo] - float64(gain*raw[lo])
}

// corrects reports whether gain and offset turn every raw number into its
// value exactly.
func corrects(c *Columns, gain, offset float64) bool {
	for i, r := range c.Raw {
		if math.Float64bits(correct(r, gain, offset)) != math.Float64bits(c.Value[i]) {
			return false
		}
	}
	return true
}

// foretell gives the corrected raw numbers as integers at scale; false when
// one of them is none or is too large.
func foretell(dst []int64, raw []float64, gain, offset float64, scale int) ([]int64, bool) {
	dst = dst[:0]
	for _, r := range raw {
		n := math.Round(correct(r, gain, offset) * powersOfTen[scale])
		if !(math.Abs(n) < exactInteger) {
			return dst, false
		}
		dst = append(dst, int64(n))
	}
	return dst, true
}

func sameBits(a, b []float64) bool {
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) {
			return false
		}
	}
	return true
}
