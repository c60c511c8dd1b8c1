// Package chunk is the form in which the records keep the readings of one
// series and day: values as integers at the sensor's resolution, what is left
// of them after a prediction, compressed. What comes back is the same bit for
// bit, times included.
package chunk

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"

	"github.com/klauspost/compress/zstd"
)

// A chunk is the version, a checksum of all that follows (CRC-32C, 4 bytes,
// low byte first), the length of the body once compressed, the compressed
// body, and the tail (see encoder).
const chunkVersion = 1

// chunkHeader is the length of version and checksum.
const chunkHeader = 5

// How a column of floats is coded. The numbers are part of the file format.
const (
	// Raw and value: the number of decimals (0..6), or floatBits.
	floatBits = 0xff
	// Value only: the same as raw, raw corrected by a gain and an offset, or
	// decimals near such a correction.
	valueSame      = 0x80
	valueCorrected = 0x81
	valueNear      = 0x82
)

// Codec turns Columns into chunks and back. A Codec is for one goroutine; it
// reuses its buffers.
type Codec struct {
	enc        *zstd.Encoder
	dec        *zstd.Decoder
	e          encoder
	plain      []byte
	packed     bytes.Buffer
	sum        *crc32.Table
	ints, diff []int64
}

// NewCodec makes a Codec; it must be closed.
func NewCodec() (*Codec, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.EncoderLevelFromZstd(3)), zstd.WithEncoderConcurrency(1),
		zstd.WithAllLitEntropyCompression(true), zstd.WithEncoderCRC(false))
	if err != nil {
		return nil, err
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(1<<28))
	if err != nil {
		return nil, err
	}
	return &Codec{enc: enc, dec: dec, sum: crc32.MakeTable(crc32.Castagnoli)}, nil
}

// Close lets the memory of the compressor go.
func (k *Codec) Close() {
	_ = k.enc.Close() // it wrote to memory
	k.dec.Close()
}

// Encode gives c as a chunk. Decoding gives the same columns bit for bit.
func (k *Codec) Encode(c *Columns) []byte {
	e := &k.e
	e.reset()
	e.body = binary.AppendUvarint(e.body, uint64(c.Len()))
	e.ints(c.Time, nearLastStep, nearStep, nearLine)
	// Readings come a little after their time, or many together long after.
	k.diff = k.diff[:0]
	for i, t := range c.Time {
		k.diff = append(k.diff, c.Arrival[i]-t)
	}
	e.ints(k.diff, nearConstant, nearStep, nearLastStep)
	e.body = appendRuns(e.body, c.Flag)
	var scale int
	var ok bool
	k.ints, scale, ok = decimals(k.ints, c.Raw)
	if ok {
		e.body = append(e.body, byte(scale))
		e.ints(k.ints, nearConstant, nearStep, nearLastStep)
	} else {
		e.body = append(e.body, floatBits)
		e.body = appendBits(e.body, c.Raw)
	}
	k.encodeValue(c)
	e.flush()
	e.cut()
	return k.pack(e)
}

// pack compresses the body and appends the tail.
func (k *Codec) pack(e *encoder) []byte {
	k.packed.Reset()
	k.enc.Reset(&k.packed)
	from := 0
	for _, to := range e.cuts {
		// Writing to a buffer in memory does not fail.
		_, _ = k.enc.Write(e.body[from:to])
		_ = k.enc.Flush()
		from = to
	}
	_ = k.enc.Close()
	b := make([]byte, chunkHeader, chunkHeader+binary.MaxVarintLen64+k.packed.Len()+len(e.tail))
	b = binary.AppendUvarint(b, uint64(k.packed.Len()))
	b = append(b, k.packed.Bytes()...)
	b = append(b, e.tail...)
	b[0] = chunkVersion
	binary.LittleEndian.PutUint32(b[1:], crc32.Checksum(b[chunkHeader:], k.sum))
	return b
}

func (k *Codec) encodeValue(c *Columns) {
	e := &k.e
	if sameBits(c.Raw, c.Value) {
		e.body = append(e.body, valueSame)
		return
	}
	gain, offset := fit(c.Raw, c.Value)
	if rounded := [2]float64{math.Round(gain*1e6) / 1e6, math.Round(offset*1e6) / 1e6}; corrects(c, rounded[0], rounded[1]) {
		e.body = append(e.body, valueCorrected)
		e.float(rounded[0])
		e.float(rounded[1])
		return
	}
	var scale int
	var ok bool
	k.ints, scale, ok = decimals(k.ints, c.Value)
	if !ok {
		e.body = append(e.body, floatBits)
		e.body = appendBits(e.body, c.Value)
		return
	}
	if k.diff, ok = foretell(k.diff, c.Raw, gain, offset, scale); ok {
		for i, n := range k.ints {
			k.diff[i] = n - k.diff[i]
		}
		if e.estimate(k.diff, nearConstant) < e.estimate(k.ints, nearConstant, nearStep, nearLastStep) {
			e.body = append(e.body, valueNear, byte(scale))
			e.float(gain)
			e.float(offset)
			e.ints(k.diff, nearConstant)
			return
		}
	}
	e.body = append(e.body, byte(scale))
	e.ints(k.ints, nearConstant, nearStep, nearLastStep)
}

// Decode reads a chunk into c, whose slices are used again. It does not keep
// data.
func (k *Codec) Decode(c *Columns, data []byte) error {
	if len(data) < chunkHeader || data[0] != chunkVersion {
		return fmt.Errorf("%w: unknown version", errCoded)
	}
	sum := binary.LittleEndian.Uint32(data[1:])
	if data = data[chunkHeader:]; crc32.Checksum(data, k.sum) != sum {
		return fmt.Errorf("%w: wrong checksum", errCoded)
	}
	packed, size := binary.Uvarint(data)
	if size <= 0 || packed > uint64(len(data)-size) {
		return fmt.Errorf("%w: cut short", errCoded)
	}
	data = data[size:]
	var err error
	k.plain, err = k.dec.DecodeAll(data[:packed], k.plain[:0])
	if err != nil {
		return fmt.Errorf("%w: %w", errCoded, err)
	}
	return k.columns(c, &decoder{body: k.plain, tail: data[packed:]})
}

func (k *Codec) columns(c *Columns, d *decoder) error {
	count := d.uvarint()
	// Each time but the first takes a byte at least.
	if d.err != nil || count > uint64(len(d.body)) {
		return errCoded
	}
	n := int(count)
	c.Time = d.ints(c.Time, n)
	c.Arrival = d.ints(c.Arrival, n)
	if d.err != nil {
		return d.err
	}
	for i, t := range c.Time {
		c.Arrival[i] += t
	}
	c.Flag = d.runs(c.Flag, n)
	scale := d.byte()
	if scale == floatBits {
		c.Raw = d.bits(c.Raw, n)
	} else {
		k.ints = d.ints(k.ints, n)
		c.Raw = d.floats(c.Raw, k.ints, scale)
	}
	if d.err == nil {
		k.decodeValue(d, c, n)
	}
	if d.err == nil && d.left() {
		return fmt.Errorf("%w: too long", errCoded)
	}
	return d.err
}

func (k *Codec) decodeValue(d *decoder, c *Columns, n int) {
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
	case valueNear:
		scale := d.byte()
		gain, offset := d.float(), d.float()
		k.ints = d.ints(k.ints, n)
		if d.err != nil || scale > maxScale {
			d.fail()
			return
		}
		var ok bool
		if k.diff, ok = foretell(k.diff, c.Raw, gain, offset, int(scale)); !ok {
			d.fail()
			return
		}
		for i, n := range k.diff {
			k.ints[i] += n
		}
		c.Value = d.floats(c.Value, k.ints, scale)
	default:
		k.ints = d.ints(k.ints, n)
		c.Value = d.floats(c.Value, k.ints, mode)
	}
}
