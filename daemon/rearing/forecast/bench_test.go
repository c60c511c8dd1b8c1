package forecast

import (
	"sync"
	"testing"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
)

func BenchmarkForecast(b *testing.B) {
	sp := speciestest.Named(b, "morpho-peleides")
	p := newProgress(b, sp)
	_ = p.Advance(constant(t0, 10*24*time.Hour, 25))
	o := outlook(b, dayAndNight(24, 4, time.UTC), AirUncertainty{DayMeanSDC: 1.5, Persistence: 0.6}, 120)
	for b.Loop() {
		if _, err := Make(p, o); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkForecastTenThousand forecasts 10,000 cohorts of all species in ten
// rooms on two goroutines, the rooms' outlooks included.
func BenchmarkForecastTenThousand(b *testing.B) {
	all := speciestest.Library(b).All()
	const cohorts, rooms = 10000, 10
	progress := make([]*population.Progress, cohorts)
	for i := range progress {
		progress[i] = newProgress(b, all[i%len(all)])
		if err := progress[i].Advance(constant(t0, time.Duration(i%20+1)*24*time.Hour, 24)); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		outlooks := make([]*Outlook, rooms)
		for r := range outlooks {
			outlooks[r] = outlook(b, dayAndNight(22+float64(r)/3, 3, time.UTC), AirUncertainty{DayMeanSDC: 1, Persistence: 0.6}, 100)
		}
		var wg sync.WaitGroup
		for g := range 2 {
			wg.Go(func() {
				for i := g; i < cohorts; i += 2 {
					if _, err := Make(progress[i], outlooks[i/len(all)%rooms]); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
	}
}
