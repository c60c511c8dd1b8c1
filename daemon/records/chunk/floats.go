package chunk

import (
	"encoding/binary"
	"math"

	"rearguard/sensors"
)

// maxScale is the greatest number of decimals that is tried for a column.
const maxScale = 6

// exactInteger is the bound below which float64 holds every integer.
const exactInteger = 1 << 53

var powersOfTen = [maxScale + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6}

// decimals gives v as integers at the smallest scale at which every one of
// them gives the very same float64 back, and false when there is no such
// scale. The quotient of two exactly held integers is rounded correctly, so it
// equals the float64 nearest to the decimal number a sensor had sent.
func decimals(dst []int64, v []float64) ([]int64, int, bool) {
	dst = dst[:0]
	scale := 0
	for i := 0; i < len(v); {
		n := math.Round(v[i] * powersOfTen[scale])
		// The way over int64 tells -0 from 0.
		if math.Abs(n) < exactInteger && math.Float64bits(float64(int64(n))/powersOfTen[scale]) == math.Float64bits(v[i]) {
			dst = append(dst, int64(n))
			i++
			continue
		}
		if scale == maxScale {
			return dst, 0, false
		}
		scale++
		dst, i = dst[:0], 0
	}
	return dst, scale, true
}

// appendBits codes v as the exclusive or with the number before, byte planes
// apart so that the planes which seldom change compress well.
func appendBits(b []byte, v []float64) []byte {
	at := len(b)
	n := len(v)
	b = append(b, make([]byte, 8*n)...)
	var last uint64
	for i, x := range v {
		bits := math.Float64bits(x)
		d := bits ^ last
		last = bits
		for p := range 8 {
			b[at+p*n+i] = byte(d >> (8 * p))
		}
	}
	return b
}

// bits is the inverse of appendBits for n numbers.
func (d *decoder) bits(dst []float64, n int) []float64 {
	dst = dst[:0]
	if len(d.body)/8 < n {
		d.fail()
		return dst
	}
	var last uint64
	for i := range n {
		var x uint64
		for p := range 8 {
			x |= uint64(d.body[p*n+i]) << (8 * p)
		}
		last ^= x
		dst = append(dst, math.Float64frombits(last))
	}
	d.body = d.body[8*n:]
	return dst
}

// appendRuns codes v as pairs of a flag and how often it follows.
func appendRuns(b []byte, v []sensors.Flag) []byte {
	for i := 0; i < len(v); {
		j := i + 1
		for j < len(v) && v[j] == v[i] {
			j++
		}
		b = append(b, byte(v[i]))
		b = binary.AppendUvarint(b, uint64(j-i))
		i = j
	}
	return b
}

// runs is the inverse of appendRuns for n flags.
func (d *decoder) runs(dst []sensors.Flag, n int) []sensors.Flag {
	dst = dst[:0]
	for len(dst) < n {
		v := sensors.Flag(d.byte())
		run := d.uvarint()
		if d.err != nil || run == 0 || run > uint64(n-len(dst)) {
			d.fail()
			return dst
		}
		for range run {
			dst = append(dst, v)
		}
	}
	return dst
}
