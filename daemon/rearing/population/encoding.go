package population

import (
	"bytes"
	"encoding/binary"
	"math"
	"time"
)

// writer appends little-endian values.
type writer struct{ bytes.Buffer }

func (w *writer) u8(v uint8)   { w.WriteByte(v) }
func (w *writer) u16(v uint16) { w.Write(binary.LittleEndian.AppendUint16(nil, v)) }
func (w *writer) u32(v uint32) { w.Write(binary.LittleEndian.AppendUint32(nil, v)) }
func (w *writer) i64(v int64)  { w.Write(binary.LittleEndian.AppendUint64(nil, uint64(v))) }
func (w *writer) f64(v float64) {
	w.Write(binary.LittleEndian.AppendUint64(nil, math.Float64bits(v)))
}

// time is kept to the nanosecond; the zero time as the least integer.
func (w *writer) time(t time.Time) {
	if t.IsZero() {
		w.i64(math.MinInt64)
		return
	}
	w.i64(t.UnixNano())
}

// scanner reads what writer wrote; short is set when it ran out of data.
type scanner struct {
	data  []byte
	short bool
}

func (r *scanner) take(n int) []byte {
	if n < 0 || len(r.data) < n {
		n = max(0, min(n, 8))
		r.short = true
		r.data = nil
		return make([]byte, n)
	}
	b := r.data[:n]
	r.data = r.data[n:]
	return b
}

func (r *scanner) u8() uint8    { return r.take(1)[0] }
func (r *scanner) u16() uint16  { return binary.LittleEndian.Uint16(r.take(2)) }
func (r *scanner) u32() uint32  { return binary.LittleEndian.Uint32(r.take(4)) }
func (r *scanner) i64() int64   { return int64(binary.LittleEndian.Uint64(r.take(8))) }
func (r *scanner) f64() float64 { return math.Float64frombits(binary.LittleEndian.Uint64(r.take(8))) }

func (r *scanner) time() time.Time {
	v := r.i64()
	if v == math.MinInt64 {
		return time.Time{}
	}
	return time.Unix(0, v).UTC()
}
