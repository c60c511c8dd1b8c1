package records

import (
	"encoding/binary"
	"errors"
	"math"

	"rearguard/sensors"
)

// errCoded means that coded bytes make no sense; callers add where.
var errCoded = errors.New("coded readings make no sense")

// maxScale is the greatest number of decimals that is tried for a column.
const maxScale = 6

// exactInteger is the bound below which float64 holds every integer.
const exactInteger = 1 << 53

var powersOfTen = [maxScale + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6}

// decimals gives v as integers at the smallest scale at which every one of
// them gives the very same float64 back, and false when there is no such
// scale. The quotient of two exactly held integers is rounded correctly, so it
// equals the float64 nearest to the decimal number a sensor had sent.
func decimals(dst []int64, v []float64, minScale int) ([]int64, int, bool) {
	dst = dst[:0]
	scale := minScale
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

// appendDeltas codes v as zigzag varints: order 0 as it is, order 1 as
// differences to the number before, order 2 as differences of differences.
func appendDeltas(b []byte, v []int64, order int) []byte {
	var last, lastDelta int64
	for _, x := range v {
		d := x - last
		if order > 0 {
			last = x
		}
		if order == 2 {
			d, lastDelta = d-lastDelta, d
		}
		b = binary.AppendVarint(b, d)
	}
	return b
}

// deltas is the inverse of appendDeltas for n numbers.
func (d *decoder) deltas(dst []int64, n, order int) []int64 {
	dst = dst[:0]
	b := d.b
	var last, lastDelta int64
	for range n {
		// One byte is by far the most frequent length.
		var x int64
		if len(b) > 0 && b[0] < 0x80 {
			x = int64(b[0]>>1) ^ -int64(b[0]&1)
			b = b[1:]
		} else {
			v, size := binary.Varint(b)
			if size <= 0 {
				d.fail()
				return dst
			}
			x, b = v, b[size:]
		}
		if order == 2 {
			x += lastDelta
			lastDelta = x
		}
		if order > 0 {
			x += last
			last = x
		}
		dst = append(dst, x)
	}
	d.b = b
	return dst
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
	if len(d.b)/8 < n {
		d.fail()
		return dst
	}
	var last uint64
	for i := range n {
		var x uint64
		for p := range 8 {
			x |= uint64(d.b[p*n+i]) << (8 * p)
		}
		last ^= x
		dst = append(dst, math.Float64frombits(last))
	}
	d.b = d.b[8*n:]
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

// decoder takes a chunk apart; the first failure sticks.
type decoder struct {
	b   []byte
	err error
}

func (d *decoder) fail() { d.err = errCoded }

func (d *decoder) byte() uint8 {
	if len(d.b) == 0 {
		d.fail()
		return 0
	}
	v := d.b[0]
	d.b = d.b[1:]
	return v
}

func (d *decoder) uvarint() uint64 {
	v, size := binary.Uvarint(d.b)
	if size <= 0 {
		d.fail()
		return 0
	}
	d.b = d.b[size:]
	return v
}

func (d *decoder) float() float64 {
	if len(d.b) < 8 {
		d.fail()
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(d.b))
	d.b = d.b[8:]
	return v
}
