package records

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"rearguard/sensors"
)

// fillMonth commits 80 series (40 sensors of temperature and humidity) of 30
// days on a 30 s grid, the day's course and noise at the sensors' resolution
// of 0.01, corrected with a gain and an offset and rounded to 0.0001. Times have a random part of jitter milliseconds,
// and readings take a random part of delay milliseconds to arrive.
func fillMonth(b *testing.B, s *Store, jitter, delay int) (readings int) {
	rnd := rand.New(rand.NewPCG(1, 2))
	level := make([]float64, 80)
	for step := range 30 * 2880 {
		at := day0.Add(time.Duration(step) * 30 * time.Second)
		batch := &Batch{}
		for i := range level {
			t := at.Add(time.Duration(rnd.IntN(jitter)) * time.Millisecond)
			a := t.Add(time.Duration(rnd.IntN(delay)) * time.Millisecond)
			level[i] += rnd.NormFloat64()*0.02 - level[i]*0.01
			base, swing := 24.0, 3.0
			if i%2 == 1 {
				base, swing = 65, -8
			}
			v := base + swing*math.Sin(float64(step)*2*math.Pi/2880) + level[i]
			raw := math.Round(v*100) / 100
			batch.Readings = append(batch.Readings, sensors.Reading{
				Series: sensors.Series{Sensor: sensors.SensorID(fmt.Sprintf("sensor-%d", i/2)), Quantity: sensors.Quantity(1 + i%2)},
				Time:   t, Arrival: a, Raw: raw, Value: math.Round((1.0123456*raw-0.321)*1e4) / 1e4, Flag: sensors.Pass,
			})
		}
		readings += len(batch.Readings)
		commit(b, s, batch)
	}
	return readings
}

// usedBytes is the size of the file without free pages.
func usedBytes(b *testing.B, r *Reader) float64 {
	var pages, free, size float64
	err := r.db.QueryRowContext(context.Background(), `SELECT page_count, freelist_count, page_size
		FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&pages, &free, &size)
	if err != nil {
		b.Fatal(err)
	}
	return (pages - free) * size
}

// BenchmarkHistory prints, for a month of a facility, bytes a reading and
// readings scanned a second as plain SQLite rows and as chunks, from the same
// data in the same run.
func BenchmarkHistory(b *testing.B) {
	for _, c := range []struct{ jitter, delay int }{{1, 1}, {1000, 1}, {1000, 250}} {
		b.Run(fmt.Sprintf("jitter=%dms,delay=%dms", c.jitter-1, c.delay-1), func(b *testing.B) {
			ctx := context.Background()
			s := openTest(b, Options{Synchronous: Normal})
			n := float64(fillMonth(b, s, c.jitter, c.delay))
			from, to := day0, day0.AddDate(0, 0, 31)
			rate := func(scan func() int) float64 {
				start := time.Now()
				if got := scan(); got != int(n) {
					b.Fatalf("scanned %d readings, want %.0f", got, n)
				}
				return n / time.Since(start).Seconds()
			}
			byDay := func() (got int) {
				for day, err := range s.ScanDays(ctx, nil, from, to) {
					if err != nil {
						b.Fatal(err)
					}
					for _, c := range day {
						got += c.Len()
					}
				}
				return got
			}
			inOrder := func() (got int) {
				for _, err := range s.Scan(ctx, nil, from, to) {
					if err != nil {
						b.Fatal(err)
					}
					got++
				}
				return got
			}
			byArrival := func() (got int) {
				for _, err := range s.ScanArrival(ctx, from, to) {
					if err != nil {
						b.Fatal(err)
					}
					got++
				}
				return got
			}
			rowBytes := usedBytes(b, s.Reader) / n
			rowRate := rate(byDay)
			start := time.Now()
			if _, err := s.Roll(ctx, to); err != nil {
				b.Fatal(err)
			}
			rolling := time.Since(start)
			chunkBytes := usedBytes(b, s.Reader) / n
			var chunkRate float64
			for b.Loop() {
				chunkRate = max(chunkRate, rate(byDay))
			}
			b.ReportMetric(rowBytes, "B/reading_rows")
			b.ReportMetric(chunkBytes, "B/reading_chunks")
			b.ReportMetric(rowBytes/chunkBytes, "times_smaller")
			b.ReportMetric(rowRate/1e6, "M/s_rows")
			b.ReportMetric(chunkRate/1e6, "M/s_chunks")
			b.ReportMetric(chunkRate/rowRate, "times_faster")
			b.ReportMetric(rate(inOrder)/1e6, "M/s_in_order")
			b.ReportMetric(rate(byArrival)/1e6, "M/s_by_arrival")
			b.ReportMetric(n/rolling.Seconds()/1e6, "M/s_rolled")
			if info, err := os.Stat(s.Path()); err == nil {
				b.ReportMetric(float64(info.Size())/1e6, "file_MB")
			}
		})
	}
}
