package husbandry

import (
	"math"
	"testing"
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

var t0 = time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)

func newProgress(t testing.TB, sp *species.Species) *population.Progress {
	t.Helper()
	c := &population.Cohort{ID: "c1", Species: sp.ID, Start: t0, StartStage: sp.Stages[0].ID, Individuals: 60}
	p, err := population.NewProgress(sp, c)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func constant(from time.Time, d time.Duration, c float64) population.Segment {
	return population.Segment{From: from, To: from.Add(d), FromC: c, ToC: c}
}

// dayAndNight is a day with a mean, and an amplitude (half of the difference
// between warmest and coolest) as a cosine with its peak at 15 h.
func dayAndNight(meanC, amplitudeC float64, loc *time.Location) forecast.DiurnalAir {
	d := forecast.DiurnalAir{Location: loc}
	for h := range d.HourC {
		d.HourC[h] = meanC + amplitudeC*math.Cos(2*math.Pi*float64(h-15)/24)
	}
	return d
}

func outlook(t testing.TB, air forecast.Air, u forecast.AirUncertainty, days int) *forecast.Outlook {
	t.Helper()
	o, err := forecast.NewOutlook(air, u, t0, time.Duration(days)*24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	return o
}
