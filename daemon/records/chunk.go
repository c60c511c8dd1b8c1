package records

import (
	"encoding/binary"
	"fmt"
	"math"
	"sort"

	"github.com/klauspost/compress/zstd"

	"rearguard/sensors"
)

// Columns are the readings of one series in order of time, column by column:
// reading i is Time[i], Arrival[i] and so on, as in sensors.Reading.
type Columns struct {
	sensors.Series
	// Time and Arrival are milliseconds since 1970, UTC.
	Time, Arrival []int64
	Raw, Value    []float64
	Flag          []sensors.Flag
}

// Len is the number of readings.
func (c *Columns) Len() int { return len(c.Time) }

func (c *Columns) add(time, arrival int64, raw, value float64, flag sensors.Flag) {
	c.Time = append(c.Time, time)
	c.Arrival = append(c.Arrival, arrival)
	c.Raw = append(c.Raw, raw)
	c.Value = append(c.Value, value)
	c.Flag = append(c.Flag, flag)
}

func (c *Columns) reset() {
	c.Time, c.Arrival = c.Time[:0], c.Arrival[:0]
	c.Raw, c.Value, c.Flag = c.Raw[:0], c.Value[:0], c.Flag[:0]
}

// holds reports whether there is a reading at time.
func (c *Columns) holds(time int64) bool {
	i := sort.Search(len(c.Time), func(i int) bool { return c.Time[i] >= time })
	return i < len(c.Time) && c.Time[i] == time
}

// arrivals gives the earliest and the latest arrival.
func (c *Columns) arrivals() (first, last int64) {
	first, last = math.MaxInt64, math.MinInt64
	for _, a := range c.Arrival {
		first, last = min(first, a), max(last, a)
	}
	return first, last
}

// The first byte of a chunk says how the rest is coded.
const chunkVersion = 1

// How a column of a chunk is coded. The numbers are part of the file format.
const (
	// Arrival: milliseconds after the reading's time, or times of its own
	// (readings that came together, long after their time).
	arrivalDelay = 0
	arrivalTimes = 1
	// Raw and value: floatBits, or the number of decimals (0..6).
	floatBits = 0xff
	// Value only: the same as raw, raw corrected by a gain and an offset, or
	// raw plus a decimal difference.
	valueSame       = 0x80
	valueCorrected  = 0x81
	valueDifference = 0x82
)

// codec turns Columns into chunks and back. A codec is for one goroutine; it
// reuses its buffers.
type codec struct {
	enc                  *zstd.Encoder
	dec                  *zstd.Decoder
	plain                []byte
	ints, moreInts, diff []int64
}

func newCodec() (*codec, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.EncoderLevelFromZstd(3)), zstd.WithEncoderConcurrency(1))
	if err != nil {
		return nil, err
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(1<<30))
	if err != nil {
		return nil, err
	}
	return &codec{enc: enc, dec: dec}, nil
}

func (k *codec) close() {
	k.enc.Close()
	k.dec.Close()
}

// encode gives c as a chunk. Decoding gives the same columns bit for bit.
func (k *codec) encode(c *Columns) []byte {
	b := binary.AppendUvarint(k.plain[:0], uint64(c.Len()))
	b = appendDeltas(b, c.Time, 2)
	b = k.encodeArrival(b, c)
	b = appendRuns(b, c.Flag)
	var scale int
	var ok bool
	k.ints, scale, ok = decimals(k.ints, c.Raw, 0)
	if ok {
		b = append(b, byte(scale))
		b = appendDeltas(b, k.ints, 1)
	} else {
		scale = -1
		b = append(b, floatBits)
		b = appendBits(b, c.Raw)
	}
	b = k.encodeValue(b, c, scale)
	k.plain = b
	return k.enc.EncodeAll(b, []byte{chunkVersion})
}

func (k *codec) encodeArrival(b []byte, c *Columns) []byte {
	at := len(b)
	k.diff = k.diff[:0]
	for i, t := range c.Time {
		k.diff = append(k.diff, c.Arrival[i]-t)
	}
	b = append(b, arrivalDelay)
	b = appendDeltas(b, k.diff, 0)
	delays := len(b) - at
	b = append(b, arrivalTimes)
	b = appendDeltas(b, c.Arrival, 2)
	if times := len(b) - at - delays; times < delays {
		return append(b[:at], b[at+delays:]...)
	}
	return b[:at+delays]
}

// encodeValue codes values; rawScale is the number of decimals of the raw
// column, whose integers are in k.ints, or -1.
func (k *codec) encodeValue(b []byte, c *Columns, rawScale int) []byte {
	if sameBits(c.Raw, c.Value) {
		return append(b, valueSame)
	}
	if gain, offset, ok := correction(c.Raw, c.Value); ok {
		b = append(b, valueCorrected)
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(gain))
		return binary.LittleEndian.AppendUint64(b, math.Float64bits(offset))
	}
	var scale int
	var ok bool
	k.moreInts, scale, ok = decimals(k.moreInts, c.Value, max(rawScale, 0))
	if !ok {
		b = append(b, floatBits)
		return appendBits(b, c.Value)
	}
	if rawScale < 0 {
		b = append(b, byte(scale))
		return appendDeltas(b, k.moreInts, 1)
	}
	b = append(b, valueDifference, byte(scale))
	up := int64(powersOfTen[scale-rawScale])
	k.diff = k.diff[:0]
	for i, n := range k.moreInts {
		// Wraps around for absurd numbers, and back again on decoding.
		k.diff = append(k.diff, n-k.ints[i]*up)
	}
	return appendDeltas(b, k.diff, 1)
}

// decode reads a chunk into c, whose slices are used again.
func (k *codec) decode(c *Columns, chunk []byte) error {
	if len(chunk) == 0 || chunk[0] != chunkVersion {
		return fmt.Errorf("%w: unknown version", errCoded)
	}
	var err error
	k.plain, err = k.dec.DecodeAll(chunk[1:], k.plain[:0])
	if err != nil {
		return fmt.Errorf("%w: %w", errCoded, err)
	}
	d := &decoder{b: k.plain}
	count := d.uvarint()
	// Each time takes a byte at least.
	if d.err != nil || count > uint64(len(d.b)) {
		return errCoded
	}
	n := int(count)
	c.Time = d.deltas(c.Time, n, 2)
	k.decodeArrival(d, c, n)
	c.Flag = d.runs(c.Flag, n)
	scale := d.byte()
	if scale == floatBits {
		c.Raw = d.bits(c.Raw, n)
	} else {
		k.ints = d.deltas(k.ints, n, 1)
		c.Raw = k.floats(d, c.Raw, k.ints, scale)
	}
	if d.err == nil {
		k.decodeValue(d, c, n, scale)
	}
	if d.err == nil && len(d.b) != 0 {
		return fmt.Errorf("%w: %d bytes too many", errCoded, len(d.b))
	}
	return d.err
}

func (k *codec) decodeArrival(d *decoder, c *Columns, n int) {
	switch d.byte() {
	case arrivalDelay:
		c.Arrival = d.deltas(c.Arrival, n, 0)
		if d.err != nil {
			return
		}
		for i, t := range c.Time {
			c.Arrival[i] += t
		}
	case arrivalTimes:
		c.Arrival = d.deltas(c.Arrival, n, 2)
	default:
		d.fail()
	}
}

func (k *codec) decodeValue(d *decoder, c *Columns, n int, rawScale uint8) {
	switch mode := d.byte(); mode {
	case valueSame:
		c.Value = append(c.Value[:0], c.Raw...)
	case valueCorrected:
		gain, offset := d.float(), d.float()
		c.Value = c.Value[:0]
		for _, r := range c.Raw {
			c.Value = append(c.Value, correct(r, gain, offset))
		}
	case floatBits:
		c.Value = d.bits(c.Value, n)
	case valueDifference:
		scale := d.byte()
		k.diff = d.deltas(k.diff, n, 1)
		if d.err != nil || scale > maxScale || rawScale > scale {
			d.fail()
			return
		}
		up := int64(powersOfTen[scale-rawScale])
		for i := range k.diff {
			k.diff[i] += k.ints[i] * up
		}
		c.Value = k.floats(d, c.Value, k.diff, scale)
	default:
		k.ints = d.deltas(k.ints, n, 1)
		c.Value = k.floats(d, c.Value, k.ints, mode)
	}
}

// floats undoes decimals.
func (k *codec) floats(d *decoder, dst []float64, ints []int64, scale uint8) []float64 {
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

// correction finds a gain and an offset of few decimals that turn every raw
// number into its value exactly, if there are such.
func correction(raw, value []float64) (gain, offset float64, ok bool) {
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
		gain = math.Round((value[hi]-value[lo])/(raw[hi]-raw[lo])*1e6) / 1e6
	}
	offset = math.Round((value[lo]-gain*raw[lo])*1e6) / 1e6
	for i, r := range raw {
		if math.Float64bits(correct(r, gain, offset)) != math.Float64bits(value[i]) {
			return 0, 0, false
		}
	}
	return gain, offset, true
}

func sameBits(a, b []float64) bool {
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) {
			return false
		}
	}
	return true
}
