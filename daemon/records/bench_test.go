package records

import (
	"context"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"rearguard/sensors"
)

// BenchmarkCommit stores batches of 1000 readings of 1000 series and prints
// readings a second for both orders of the hot table's key.
func BenchmarkCommit(b *testing.B) {
	for _, sync := range []Synchronous{Full, Normal} {
		for _, key := range []string{"time, series", "series, time"} {
			b.Run(fmt.Sprintf("%s/key=%s", sync, key), func(b *testing.B) {
				ctx := context.Background()
				s := openTest(b, Options{Synchronous: sync})
				if key != "time, series" {
					_, err := s.conn.ExecContext(ctx, `DROP TABLE hot; CREATE TABLE hot (time INTEGER NOT NULL, series INTEGER NOT NULL,
						arrival INTEGER NOT NULL, raw REAL, value REAL, flag INTEGER NOT NULL, PRIMARY KEY (series, time)) STRICT, WITHOUT ROWID`)
					if err != nil {
						b.Fatal(err)
					}
				}
				batch := &Batch{Readings: make([]sensors.Reading, 1000)}
				names := make([]sensors.SensorID, 500)
				for i := range names {
					names[i] = sensors.SensorID(fmt.Sprintf("sensor-%d", i))
				}
				n := 0
				b.ResetTimer()
				for b.Loop() {
					at := day0.Add(time.Duration(n) * 30 * time.Second)
					for i := range batch.Readings {
						batch.Readings[i] = sensors.Reading{
							Series: sensors.Series{Sensor: names[i/2], Quantity: sensors.Quantity(1 + i%2)},
							Time:   at.Add(time.Duration(i) * 7 * time.Millisecond), Arrival: at.Add(time.Duration(i)*7*time.Millisecond + 120),
							Raw: 20 + float64((n*31+i*17)%500)/100, Value: 20.15 + float64((n*31+i*17)%500)/100, Flag: sensors.Pass,
						}
					}
					n++
					commit(b, s, batch)
				}
				b.ReportMetric(float64(n)*1000/b.Elapsed().Seconds(), "readings/s")
				b.ReportMetric(float64(n), "batches")
				if info, err := os.Stat(s.Path() + "-wal"); err == nil {
					b.ReportMetric(float64(info.Size())/1e6, "wal_MB")
				}
			})
		}
	}
}

// BenchmarkCommitWhileRolling commits small batches while a day of 1000
// series is rolled, and prints how long commits had to wait.
func BenchmarkCommitWhileRolling(b *testing.B) {
	ctx := context.Background()
	for b.Loop() {
		s := openTest(b, Options{})
		big := &Batch{}
		for n := range 2880 {
			big.Readings = big.Readings[:0]
			at := day0.Add(time.Duration(n) * 30 * time.Second)
			for i := range 1000 {
				t := at.Add(time.Duration(i*7) * time.Millisecond)
				big.Readings = append(big.Readings, reading(fmt.Sprintf("s%d", i), sensors.Temperature, t, t, 20+float64((n*31+i*17)%500)/100, 20))
			}
			commit(b, s, big)
		}
		done := make(chan error, 1)
		start := time.Now()
		go func() {
			_, err := s.Roll(ctx, day0.AddDate(0, 0, 1))
			done <- err
		}()
		var took []time.Duration
		for rolling := true; rolling; {
			select {
			case err := <-done:
				if err != nil {
					b.Fatal(err)
				}
				rolling = false
			default:
				at := day0.AddDate(0, 0, 2).Add(time.Duration(len(took)) * time.Second)
				begun := time.Now()
				commit(b, s, &Batch{Readings: []sensors.Reading{reading("a", sensors.Temperature, at, at, 20, 20)}})
				took = append(took, time.Since(begun))
			}
		}
		slices.Sort(took)
		b.ReportMetric(2.88/time.Since(start).Seconds(), "M/s_rolled")
		b.ReportMetric(float64(len(took)), "commits")
		b.ReportMetric(float64(took[len(took)/2].Microseconds())/1e3, "ms_p50")
		b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1e3, "ms_p99")
		b.ReportMetric(float64(took[len(took)-1].Microseconds())/1e3, "ms_max")
	}
}

// BenchmarkHas asks for readings that are hot and readings of a rolled day.
func BenchmarkHas(b *testing.B) {
	ctx := context.Background()
	s := openTest(b, Options{Synchronous: Normal})
	for n := range int64(288) {
		commit(b, s, batchNumber(n+1))
	}
	if _, err := s.Roll(ctx, day0.AddDate(0, 0, 1)); err != nil {
		b.Fatal(err)
	}
	for name, day := range map[string]int{"rolled": 0, "hot": 1} {
		b.Run(name, func(b *testing.B) {
			at := day0.AddDate(0, 0, day).Add(10 * time.Minute)
			series := sensors.Series{Sensor: "s3", Quantity: sensors.Temperature}
			for b.Loop() {
				if ok, err := s.Has(ctx, series, at); err != nil || !ok {
					b.Fatal(ok, err)
				}
			}
		})
	}
}
