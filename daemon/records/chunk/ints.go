package chunk

import (
	"encoding/binary"
	"errors"
	"math"
)

// A column of integers is coded as what is left after a prediction, each
// remainder split in two: its low bits, which are noise and no compressor can
// shorten, go as they are to a tail of the chunk; the rest goes as varints to
// the body that zstd compresses. The prediction and the number of low bits
// are those that are estimated to take the least room.

// Predictions. The numbers are part of the file format.
const (
	// Each number is near the same one.
	nearConstant = iota
	// Each number is a constant step after the one before.
	nearStep
	// Each step is like the step before.
	nearLastStep
	// The numbers lie on a straight line from the first to the last.
	nearLine
)

// maxLowBits bounds the bits of a remainder that go to the tail.
const maxLowBits = 32

// errCoded means that coded bytes make no sense; callers add where.
var errCoded = errors.New("coded readings make no sense")

// remainders sets dst to v less its prediction, as zigzag numbers, and gives
// the two parameters that the inverse needs. Sums may wrap around; they wrap
// back on decoding.
func remainders(dst []uint64, v []int64, prediction byte) (_ []uint64, first, base int64) {
	dst = dst[:0]
	n := int64(len(v))
	if n == 0 {
		return dst, 0, 0
	}
	first = v[0]
	switch prediction {
	case nearConstant:
		base = v[0]
		for _, x := range v {
			base = min(base, x)
		}
		for _, x := range v {
			dst = append(dst, uint64(x-base))
		}
		return dst, 0, base
	case nearLine:
		base = v[n-1] - first
	default:
		if n > 1 {
			base = (v[n-1] - first) / (n - 1)
		}
	}
	p := predictor{prediction, first, base, n - 1, first, base}
	for i := int64(1); i < n; i++ {
		dst = append(dst, zigzag(v[i]-p.next(i)))
		p.saw(v[i])
	}
	return dst, first, base
}

// predictor foretells number i from those before.
type predictor struct {
	prediction  byte
	first, base int64
	last        int64
	before      int64
	step        int64
}

func (p *predictor) next(i int64) int64 {
	switch p.prediction {
	case nearStep:
		return p.before + p.base
	case nearLastStep:
		return p.before + p.step
	}
	return p.first + i*p.base/p.last
}

func (p *predictor) saw(v int64) { p.step, p.before = v-p.before, v }

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// cost estimates how many bits u takes with k low bits apart: the order-0
// entropy of the varint bytes, which is what a Huffman coder comes close to.
func cost(u []uint64, k int) float64 {
	var histogram [256]int
	total := 0
	for _, x := range u {
		x >>= k
		for x >= 0x80 {
			histogram[byte(x)|0x80]++
			x >>= 7
			total++
		}
		histogram[x]++
		total++
	}
	sum := float64(len(u) * k)
	for _, n := range histogram {
		if n > 0 {
			sum -= float64(n) * math.Log2(float64(n)/float64(total))
		}
	}
	return sum
}

// bestSplit gives the number of low bits of least cost near the size of a
// typical remainder.
func bestSplit(u []uint64) (k int, least float64) {
	least = cost(u, 0)
	sum := 0.0
	for _, x := range u {
		sum += float64(x)
	}
	typical := int(math.Log2(sum/float64(len(u)) + 1))
	for i := max(1, typical-4); i <= min(typical+1, maxLowBits); i++ {
		if c := cost(u, i); c < least {
			k, least = i, c
		}
	}
	return k, least
}

// encoder puts a chunk together.
type encoder struct {
	body []byte
	// cuts are the ends of columns in body. Each column is compressed as a
	// block of its own, since their bytes are spread differently.
	cuts []int
	// tail holds the low bits; pending those that do not fill a byte yet.
	tail    []byte
	pending uint64
	filled  int
	u, best []uint64
}

func (e *encoder) reset() {
	e.body, e.cuts = e.body[:0], e.cuts[:0]
	e.tail, e.pending, e.filled = e.tail[:0], 0, 0
}

// ints codes v by the best of the given predictions.
func (e *encoder) ints(v []int64, predictions ...byte) {
	chosen, k, first, base, _ := e.choose(v, predictions)
	e.body = append(e.body, chosen, byte(k))
	e.body = binary.AppendVarint(e.body, first)
	e.body = binary.AppendVarint(e.body, base)
	for _, x := range e.best {
		e.body = binary.AppendUvarint(e.body, x>>k)
	}
	if k > 0 {
		for _, x := range e.best {
			e.low(x, k)
		}
	}
	e.cut()
}

// estimate gives the bits that ints would take.
func (e *encoder) estimate(v []int64, predictions ...byte) float64 {
	_, _, _, _, bits := e.choose(v, predictions)
	return bits
}

// choose gives the prediction and split of least cost, with the remainders in
// e.best.
func (e *encoder) choose(v []int64, predictions []byte) (chosen byte, k int, first, base int64, least float64) {
	least = math.Inf(1)
	for _, p := range predictions {
		var f, b int64
		e.u, f, b = remainders(e.u, v, p)
		if s, c := bestSplit(e.u); c < least {
			chosen, first, base, k, least = p, f, b, s, c
			e.u, e.best = e.best, e.u
		}
	}
	return chosen, k, first, base, least
}

func (e *encoder) float(v float64) {
	e.body = binary.LittleEndian.AppendUint64(e.body, math.Float64bits(v))
}

// cut ends a column.
func (e *encoder) cut() { e.cuts = append(e.cuts, len(e.body)) }

func (e *encoder) low(x uint64, k int) {
	e.pending |= x & (1<<k - 1) << e.filled
	for e.filled += k; e.filled >= 8; e.filled -= 8 {
		e.tail = append(e.tail, byte(e.pending))
		e.pending >>= 8
	}
}

// flush ends the tail.
func (e *encoder) flush() {
	if e.filled > 0 {
		e.tail = append(e.tail, byte(e.pending))
	}
}

// decoder takes a chunk apart; the first failure sticks.
type decoder struct {
	body, tail []byte
	pending    uint64
	filled     int
	err        error
}

func (d *decoder) fail() { d.err = errCoded }

// ints is the inverse of encoder.ints for n numbers.
func (d *decoder) ints(dst []int64, n int) []int64 {
	dst = dst[:0]
	prediction, k := d.byte(), int(d.byte())
	first, base := d.varint(), d.varint()
	if d.err != nil || prediction > nearLine || k > maxLowBits {
		d.fail()
		return dst
	}
	count := n
	if prediction != nearConstant && n > 0 {
		dst = append(dst, first)
		count--
	}
	if dst = d.split(dst, count, k); d.err != nil {
		return dst
	}
	// What stands in dst are remainders; now they become numbers.
	switch rest := dst[n-count:]; prediction {
	case nearConstant:
		for i, u := range rest {
			rest[i] = u + base
		}
	case nearStep:
		last := first + base
		for i, u := range rest {
			last += unzigzag(uint64(u))
			rest[i] = last
			last += base
		}
	case nearLastStep:
		last, step := first, base
		for i, u := range rest {
			step += unzigzag(uint64(u))
			last += step
			rest[i] = last
		}
	case nearLine:
		for i, u := range rest {
			rest[i] = first + int64(i+1)*base/int64(count) + unzigzag(uint64(u))
		}
	}
	return dst
}

// split appends n remainders of k low bits each.
func (d *decoder) split(dst []int64, n, k int) []int64 {
	b := d.body
	at := len(dst)
	for range n {
		// One byte is by far the most frequent length.
		if len(b) > 0 && b[0] < 0x80 {
			dst = append(dst, int64(b[0]))
			b = b[1:]
			continue
		}
		u, size := binary.Uvarint(b)
		if size <= 0 {
			d.fail()
			return dst
		}
		dst = append(dst, int64(u))
		b = b[size:]
	}
	d.body = b
	if k == 0 {
		return dst
	}
	if len(d.tail)*8+d.filled < n*k {
		d.fail()
		return dst
	}
	pending, filled, tail := d.pending, d.filled, d.tail
	for i := range dst[at:] {
		for filled < k {
			pending |= uint64(tail[0]) << filled
			tail = tail[1:]
			filled += 8
		}
		dst[at+i] = dst[at+i]<<k | int64(pending&(1<<k-1))
		pending >>= k
		filled -= k
	}
	d.pending, d.filled, d.tail = pending, filled, tail
	return dst
}

func (d *decoder) byte() uint8 {
	if len(d.body) == 0 {
		d.fail()
		return 0
	}
	v := d.body[0]
	d.body = d.body[1:]
	return v
}

func (d *decoder) uvarint() uint64 {
	v, size := binary.Uvarint(d.body)
	if size <= 0 {
		d.fail()
		return 0
	}
	d.body = d.body[size:]
	return v
}

func (d *decoder) varint() int64 { return unzigzag(d.uvarint()) }

func (d *decoder) float() float64 {
	if len(d.body) < 8 {
		d.fail()
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(d.body))
	d.body = d.body[8:]
	return v
}

// left reports whether anything but the padding of the last byte is left.
func (d *decoder) left() bool {
	return len(d.body) > 0 || len(d.tail) > 0 || d.pending != 0
}
