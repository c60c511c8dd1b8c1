package records

import (
	"context"
	"fmt"
	"os"
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
