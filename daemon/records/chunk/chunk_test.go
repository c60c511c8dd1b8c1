package chunk

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rearguard/sensors"
)

// equalBits compares columns so that NaN equals itself and -0 is not 0.
func equalBits(a, b *Columns) bool {
	return slices.Equal(a.Time, b.Time) && slices.Equal(a.Arrival, b.Arrival) && slices.Equal(a.Flag, b.Flag) &&
		len(a.Raw) == len(b.Raw) && sameBits(a.Raw, b.Raw) && len(a.Value) == len(b.Value) && sameBits(a.Value, b.Value)
}

// number64 draws what a sensor may send: decimals, arbitrary bits, and the
// awkward ones.
func number64(t *rapid.T, label string) float64 {
	switch rapid.IntRange(0, 9).Draw(t, label+" kind") {
	case 0:
		return math.Float64frombits(rapid.Uint64().Draw(t, label+" bits"))
	case 1:
		return rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64,
			math.SmallestNonzeroFloat64, exactInteger, -exactInteger, exactInteger - 1, 0.1, 1e-6, 1e-7, 123456.789012}).Draw(t, label)
	}
	return float64(rapid.Int64Range(-60_000, 60_000).Draw(t, label)) / powersOfTen[rapid.IntRange(0, maxScale).Draw(t, label+" scale")]
}

func drawColumns(t *rapid.T) *Columns {
	c := &Columns{}
	n := rapid.IntRange(1, 60).Draw(t, "readings")
	at := rapid.Int64().Draw(t, "start")
	decimal := rapid.Bool().Draw(t, "decimal")
	gain := rapid.SampledFrom([]float64{1, 1.012, 0.97}).Draw(t, "gain")
	kind := rapid.IntRange(0, 4).Draw(t, "kind of value")
	together := rapid.Bool().Draw(t, "together")
	for range n {
		at += rapid.Int64Range(1, 100_000).Draw(t, "step")
		var raw, value float64
		if decimal {
			raw = float64(rapid.IntRange(-2000, 8000).Draw(t, "raw")) / 100
		} else {
			raw = number64(t, "raw")
		}
		switch kind {
		case 0:
			value = raw
		case 1:
			value = correct(raw, gain, -0.15)
		case 2:
			value = math.Round((gain*raw+0.25)*1e4) / 1e4
		default:
			value = number64(t, "value")
		}
		arrival := at + rapid.Int64Range(-3000, 3000).Draw(t, "delay")
		if together {
			arrival = 1_700_000_000_000 + int64(c.Len())
		}
		c.Append(at, arrival, raw, value, rapid.SampledFrom([]sensors.Flag{1, 1, 1, 2, 3, 4, 9}).Draw(t, "flag"))
	}
	return c
}

func TestChunkIsLossless(t *testing.T) {
	k, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	var got Columns
	rapid.Check(t, func(t *rapid.T) {
		want := drawColumns(t)
		if err := k.Decode(&got, k.Encode(want)); err != nil {
			t.Fatal(err)
		}
		if !equalBits(want, &got) {
			t.Fatalf("want %+v\ngot  %+v", want, &got)
		}
	})
}

// Each way of coding must be the one that is chosen where it is meant to be:
// a property test alone would pass if everything went as plain bits.
func TestCodingOfValues(t *testing.T) {
	raw := []float64{20.1, 20.25, 19.9, 20.1, 21}
	third := []float64{1.0 / 3, 2.0 / 3, 4.0 / 3, 5.0 / 3, 7.0 / 3}
	for name, c := range map[string]struct {
		raw   []float64
		value func(float64) float64
		mode  []byte
	}{
		"uncorrected":         {raw, func(v float64) float64 { return v }, []byte{2, valueSame}},
		"shifted":             {raw, func(v float64) float64 { return correct(v, 1, -0.15) }, []byte{2, valueCorrected}},
		"scaled and shifted":  {raw, func(v float64) float64 { return correct(v, 1.012, 0.3) }, []byte{2, valueCorrected}},
		"corrected, rounded":  {raw, func(v float64) float64 { return math.Round((1.0123456*v-0.321)*1e4) / 1e4 }, []byte{2, valueNear}},
		"of its own":          {raw, func(v float64) float64 { return map[float64]float64{20.1: 5.5, 20.25: 6, 19.9: 4, 21: 4}[v] }, []byte{2, 1}},
		"not decimal":         {third, func(v float64) float64 { return v * v }, []byte{floatBits, floatBits}},
		"decimal of a third":  {third, func(v float64) float64 { return math.Round(v*v*100) / 100 }, []byte{floatBits, valueNear}},
		"curved, not decimal": {raw, math.Sqrt, []byte{2, floatBits}},
	} {
		t.Run(name, func(t *testing.T) {
			k, err := NewCodec()
			if err != nil {
				t.Fatal(err)
			}
			defer k.Close()
			want := &Columns{}
			for i, v := range c.raw {
				want.Append(int64(i), int64(i), v, c.value(v), 1)
			}
			chunk := k.Encode(want)
			var got Columns
			if err := k.Decode(&got, chunk); err != nil || !equalBits(want, &got) {
				t.Fatalf("want %+v\ngot  %+v, %v", want, got, err)
			}
			// The modes follow count, times, arrivals and flags.
			d := &decoder{body: k.e.body, tail: k.e.tail}
			n := int(d.uvarint())
			d.ints(nil, n)
			d.ints(nil, n)
			d.runs(nil, n)
			mode := []byte{d.byte()}
			if mode[0] == floatBits {
				d.bits(nil, n)
			} else {
				d.ints(nil, n)
			}
			if mode = append(mode, d.byte()); !slices.Equal(mode, c.mode) {
				t.Errorf("raw and value are coded as %#x, want %#x", mode, c.mode)
			}
		})
	}
}

func FuzzDecodeChunk(f *testing.F) {
	k, err := NewCodec()
	if err != nil {
		f.Fatal(err)
	}
	c := &Columns{}
	for i := range 20 {
		c.Append(int64(i)*30_000, int64(i)*30_000+int64(i*i*7919%250), float64(i)/4, float64(i)/3, 1)
	}
	f.Add(k.Encode(c), []byte{}, true)
	f.Add(slices.Clone(k.e.body), slices.Clone(k.e.tail), false)
	f.Add([]byte{}, []byte{}, true)
	f.Add([]byte{chunkVersion, 0}, []byte{}, true)
	f.Fuzz(func(t *testing.T, data, tail []byte, packed bool) {
		// Unpacked input reaches the columns; packed input mostly fails at
		// its checksum.
		if !packed {
			data = k.pack(&encoder{body: data, cuts: []int{len(data)}, tail: tail})
		}
		var got, again Columns
		if err := k.Decode(&got, data); err != nil {
			if !errors.Is(err, errCoded) {
				t.Fatalf("unexpected kind of error: %v", err)
			}
			return
		}
		if err := k.Decode(&again, k.Encode(&got)); err != nil || !equalBits(&got, &again) {
			t.Fatalf("decoded %+v, and that again as %+v, %v", got, again, err)
		}
	})
}

// Whatever happens to the bytes of a chunk, it is recognised: what comes back
// is what was stored, or nothing.
func TestDamageIsRecognised(t *testing.T) {
	k, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	var got Columns
	day := dayOfReadings()
	whole := k.Encode(day)
	for bit := range 8 * len(whole) {
		damaged := slices.Clone(whole)
		damaged[bit/8] ^= 1 << (bit % 8)
		if k.Decode(&got, damaged) == nil {
			t.Fatalf("bit %d of %d turned round goes unnoticed", bit, 8*len(whole))
		}
	}
	for n := range whole {
		if k.Decode(&got, whole[:n]) == nil {
			t.Fatalf("cut to %d of %d bytes goes unnoticed", n, len(whole))
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		want := drawColumns(t)
		data := k.Encode(want)
		for range rapid.IntRange(1, 20).Draw(t, "bytes") {
			data[rapid.IntRange(0, len(data)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "byte")
		}
		data = append(data, rapid.SliceOfN(rapid.Byte(), 0, 3).Draw(t, "more")...)
		if k.Decode(&got, data) == nil && !equalBits(want, &got) {
			t.Fatalf("a damaged chunk is read as %+v\nstored was %+v", &got, want)
		}
	})
}
