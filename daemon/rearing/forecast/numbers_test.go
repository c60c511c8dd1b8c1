package forecast

import (
	"math"
	"testing"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
)

func TestDailyNumbersAddUpToTheCohort(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	sp := speciestest.Named(t, "vanessa-cardui")
	p := newProgress(t, sp)
	o := outlook(t, dayAndNight(23, 3, berlin), AirUncertainty{DayMeanSDC: 1.5, Persistence: 0.6}, 120)
	days, err := dailyNumbers(p, o, berlin)
	if err != nil {
		t.Fatal(err)
	}
	sums := map[species.StageID]float64{}
	for _, d := range days {
		sums[d.Stage] += d.Expected
		if h, m, s := d.Day.Clock(); h+m+s != 0 || d.Day.Location() != berlin {
			t.Fatalf("day %v does not start at local midnight", d.Day)
		}
		if d.Low > d.Expected || d.High < d.Expected || d.Low < 0 || d.High > 60 {
			t.Errorf("%s %s: %v to %v around %v", d.Day, d.Event, d.Low, d.High, d.Expected)
		}
	}
	for _, st := range sp.Stages[1:] {
		// Days with fewer than a twentieth of an animal are left out.
		if math.Abs(sums[st.ID]-60) > 1.5 {
			t.Errorf("%s: daily numbers add up to %v of 60", st.ID, sums[st.ID])
		}
	}
}

func BenchmarkDailyNumbers(b *testing.B) {
	p := newProgress(b, speciestest.Named(b, "morpho-peleides"))
	o := outlook(b, dayAndNight(24, 4, time.UTC), AirUncertainty{DayMeanSDC: 1.5, Persistence: 0.6}, 120)
	for b.Loop() {
		if _, err := dailyNumbers(p, o, time.UTC); err != nil {
			b.Fatal(err)
		}
	}
}
