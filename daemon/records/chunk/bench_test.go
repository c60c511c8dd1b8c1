package chunk

import (
	"math"
	"math/rand/v2"
	"testing"
)

// dayOfReadings is a day on a 30 s grid as a sensor of resolution 0.01 sends
// it, corrected and rounded to 0.0001.
func dayOfReadings() *Columns {
	rnd := rand.New(rand.NewPCG(1, 2))
	c := &Columns{}
	for i := range int64(2880) {
		at := i*30_000 + rnd.Int64N(1000)
		raw := math.Round((24+3*math.Sin(float64(i)*2*math.Pi/2880)+rnd.NormFloat64()*0.02)*100) / 100
		c.Append(at, at+rnd.Int64N(250), raw, math.Round((1.0123456*raw-0.321)*1e4)/1e4, 1)
	}
	return c
}

// BenchmarkCodec codes and decodes a day of one series and prints bytes a
// reading.
func BenchmarkCodec(b *testing.B) {
	k, err := NewCodec()
	if err != nil {
		b.Fatal(err)
	}
	defer k.Close()
	day := dayOfReadings()
	data := k.Encode(day)
	b.Run("encode", func(b *testing.B) {
		for b.Loop() {
			k.Encode(day)
		}
		b.ReportMetric(float64(len(data))/float64(day.Len()), "B/reading")
	})
	b.Run("decode", func(b *testing.B) {
		var c Columns
		for b.Loop() {
			if err := k.Decode(&c, data); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(day.Len())*float64(b.N)/b.Elapsed().Seconds()/1e6, "M/s")
	})
}
