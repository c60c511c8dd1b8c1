package rearing

import (
	"sync"
	"testing"
	"time"
)

func BenchmarkAdvanceHalfMinutes(b *testing.B) {
	sp := species(b, "morpho-peleides")
	p := newProgress(b, sp)
	for b.Loop() {
		_ = p.Advance(Segment{From: p.now, To: p.now.Add(30 * time.Second), FromC: 20, ToC: 20.1})
		if p.now.Sub(t0) > 300*24*time.Hour {
			p = newProgress(b, sp)
		}
	}
}

func BenchmarkYearOfHalfMinutes(b *testing.B) {
	sp := species(b, "morpho-peleides")
	for b.Loop() {
		p := newProgress(b, sp)
		for range 365 * 2880 {
			_ = p.Advance(Segment{From: p.now, To: p.now.Add(30 * time.Second), FromC: 25, ToC: 25.1})
		}
	}
}

func BenchmarkForecast(b *testing.B) {
	sp := species(b, "morpho-peleides")
	p := newProgress(b, sp)
	_ = p.Advance(constant(t0, 10*24*time.Hour, 25))
	o := outlook(b, DayAndNight(24, 4, 15, time.UTC), AirUncertainty{DayMeanSDC: 1.5, Persistence: 0.6}, 120)
	for b.Loop() {
		if _, err := p.Forecast(o); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCheckpoint(b *testing.B) {
	p := newProgress(b, species(b, "morpho-peleides"))
	_ = p.Advance(constant(t0, 10*24*time.Hour, 25))
	for b.Loop() {
		data, _ := p.MarshalBinary()
		b.SetBytes(int64(len(data)))
	}
}

// BenchmarkForecastTenThousand forecasts 10,000 cohorts of all species in ten
// rooms on two goroutines, the rooms' outlooks included.
func BenchmarkForecastTenThousand(b *testing.B) {
	all := library(b).All()
	const cohorts, rooms = 10000, 10
	progress := make([]*Progress, cohorts)
	for i := range progress {
		progress[i] = newProgress(b, all[i%len(all)])
		if err := progress[i].Advance(constant(t0, time.Duration(i%20+1)*24*time.Hour, 24)); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		outlooks := make([]*Outlook, rooms)
		for r := range outlooks {
			outlooks[r] = outlook(b, DayAndNight(22+float64(r)/3, 3, 15, time.UTC), AirUncertainty{DayMeanSDC: 1, Persistence: 0.6}, 100)
		}
		var wg sync.WaitGroup
		for g := range 2 {
			wg.Go(func() {
				for i := g; i < cohorts; i += 2 {
					if _, err := progress[i].Forecast(outlooks[i/len(all)%rooms]); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
	}
}
