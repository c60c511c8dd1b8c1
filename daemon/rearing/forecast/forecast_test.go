package forecast

import (
	"math"
	"sync"
	"testing"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"

	"pgregory.net/rapid"
)

func TestForecastAgreesWithAdvance(t *testing.T) {
	// In air that is known exactly, the shares a forecast gives for a day are
	// those the cohort has when it comes.
	for _, id := range []species.ID{"danaus-plexippus", "morpho-peleides", "cydia-pomonella"} {
		sp := speciestest.Named(t, id)
		p := newProgress(t, sp)
		air := dayAndNight(24, 4, time.UTC)
		o := outlook(t, air, AirUncertainty{}, 150)
		f, err := makeOf(p, o, 1024)
		if err != nil {
			t.Fatal(err)
		}
		q := p.Clone()
		for h := range 24 * 120 {
			from := t0.Add(time.Duration(h) * time.Hour)
			seg := population.Segment{From: from, To: from.Add(time.Hour), FromC: air.TemperatureC(from), ToC: air.TemperatureC(from.Add(time.Hour))}
			if err := q.Advance(seg); err != nil {
				t.Fatal(err)
			}
			if h%(24*7) != 0 {
				continue
			}
			for s := 1; s < len(sp.Stages); s++ {
				expected, _ := f.ShareBefore(sp.Stages[s].ID, q.Time())
				if math.Abs(expected-entered(q, s)) > 0.02 {
					t.Errorf("%s day %d: %s entered by %v, forecast %v", id, h/24, sp.Stages[s].ID, entered(q, s), expected)
				}
			}
		}
		for _, e := range f.Events {
			s, _ := sp.StageIndex(e.Stage)
			if d := e.Median.Sub(q.Mark(s, 1)); d.Abs() > 6*time.Hour {
				t.Errorf("%s %s: median forecast off by %v", id, e.Name, d)
			}
			if !e.Early.Before(e.Median) || !e.Median.Before(e.Late) || e.Done {
				t.Errorf("%s %s: early %v, median %v, late %v", id, e.Name, e.Early, e.Median, e.Late)
			}
		}
	}
}

func TestForecastWidensWithTheAir(t *testing.T) {
	p := newProgress(t, speciestest.Named(t, "vanessa-cardui"))
	sure, err := Make(p, outlook(t, ConstantAir(22), AirUncertainty{}, 100))
	if err != nil {
		t.Fatal(err)
	}
	unsure, err := Make(p, outlook(t, ConstantAir(22), AirUncertainty{DayMeanSDC: 3, Persistence: 0.8}, 100))
	if err != nil {
		t.Fatal(err)
	}
	width := func(f *Forecast) time.Duration {
		last := f.Events[len(f.Events)-1]
		return last.Late.Sub(last.Early)
	}
	if !(width(unsure) > width(sure)*11/10) {
		t.Errorf("interval of eclosion %v in sure air, %v in unsure air", width(sure), width(unsure))
	}
}

func TestForecastKeepsWhatHasHappened(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	p := newProgress(t, sp)
	for p.Shares()[1].Share < 0.3 {
		if err := p.Advance(constant(p.Time(), time.Hour, 25)); err != nil {
			t.Fatal(err)
		}
	}
	f, err := Make(p, outlook(t, ConstantAir(25), AirUncertainty{}, 100))
	if err != nil {
		t.Fatal(err)
	}
	hatch := f.Next()[0]
	if hatch.Name != species.EventHatching || hatch.Passed < 0.25 || hatch.Passed > 0.4 || hatch.Done {
		t.Fatalf("next event %+v, want hatching 30 %% passed", hatch)
	}
	if !hatch.Early.Before(p.Time()) || !hatch.Median.After(p.Time()) {
		t.Errorf("early %v and median %v around now %v", hatch.Early, hatch.Median, p.Time())
	}
	// Nothing develops in the cold: the rest is beyond the outlook.
	cold, err := Make(p, outlook(t, ConstantAir(5), AirUncertainty{}, 30))
	if err != nil {
		t.Fatal(err)
	}
	if e := cold.Next()[0]; !e.Late.IsZero() || e.Early.IsZero() {
		t.Errorf("in the cold %+v, want a past early and no late time", e)
	}
	if _, err := Make(p, outlook(t, ConstantAir(25), AirUncertainty{}, 1)); err == nil {
		t.Error("an outlook that ends before the cohort's time was accepted")
	}
}

func TestAirForecasts(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	at := func(h, m int) time.Time { return time.Date(2026, 5, 2, h, m, 0, 0, berlin) }
	schedule, err := NewScheduleAir([]SetPoint{{20, 18}, {7, 26}}, berlin)
	if err != nil {
		t.Fatal(err)
	}
	table, err := NewTableAir([]time.Time{at(6, 0), at(12, 0)}, []float64{20, 26})
	if err != nil {
		t.Fatal(err)
	}
	diurnal := dayAndNight(24, 4, berlin)
	for _, tt := range []struct {
		name string
		air  Air
		t    time.Time
		want float64
	}{
		{"constant", ConstantAir(25), at(3, 0), 25},
		{"schedule by night", schedule, at(3, 0), 18},
		{"schedule by day", schedule, at(19, 59).UTC(), 26},
		{"table between", table, at(9, 0), 23},
		{"table before", table, at(1, 0), 20},
		{"table after", table, at(23, 0), 26},
		{"diurnal peak", diurnal, at(15, 0).UTC(), 28},
		{"diurnal between", diurnal, at(8, 30), 24 + 2*(math.Cos(2*math.Pi*7/24)+math.Cos(2*math.Pi*6/24))},
	} {
		if got := tt.air.TemperatureC(tt.t); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
	for name, err := range map[string]error{
		"empty schedule": second(NewScheduleAir(nil, berlin)),
		"hour 25":        second(NewScheduleAir([]SetPoint{{25, 20}}, berlin)),
		"table order":    second(NewTableAir([]time.Time{at(2, 0), at(1, 0)}, []float64{1, 2})),
		"table value":    second(NewTableAir([]time.Time{at(2, 0)}, []float64{math.NaN()})),
		"persistence":    second(NewOutlook(ConstantAir(20), AirUncertainty{DayMeanSDC: 1, Persistence: 1}, t0, time.Hour)),
		"horizon":        second(NewOutlook(ConstantAir(20), AirUncertainty{}, t0, 0)),
		"not a number":   second(NewOutlook(ConstantAir(math.NaN()), AirUncertainty{}, t0, time.Hour)),
	} {
		if err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestScenarioOffsetsHaveTheStatedSpread(t *testing.T) {
	u := AirUncertainty{DayMeanSDC: 2, Persistence: 0.7, Scenarios: 64}
	off := u.offsets(60)
	for d := range 60 {
		var sum, squares float64
		for k := range off {
			sum += off[k][d]
			squares += off[k][d] * off[k][d]
		}
		mean := sum / 64
		if sd := math.Sqrt(squares/64 - mean*mean); math.Abs(mean) > 1e-9 || sd < 1.3 || sd > 2.7 {
			t.Errorf("day %d: mean %v, deviation %v; want 0 and about 2", d, mean, sd)
		}
	}
}

func TestLimitsAreStrictestAndTightenInDelicateWindows(t *testing.T) {
	c, err := speciestest.Overlay(t, `
- id: vanessa-cardui
  rate_spread: 0.01
  stages:
    - {id: egg, limits: {heat_celsius: 31, source: "measured here"}}
    - {id: larva-1, limits: {chill_celsius: 15}}
`)
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := c.Species("vanessa-cardui")
	p := newProgress(t, sp)
	get := func(f *Forecast) map[species.LimitKind]species.Limit {
		m := map[species.LimitKind]species.Limit{}
		for _, l := range LimitsFor(p, f, p.Time()) {
			m[l.Kind] = l
		}
		return m
	}
	o := outlook(t, ConstantAir(25), AirUncertainty{}, 60)
	f, err := Make(p, o)
	if err != nil {
		t.Fatal(err)
	}
	m := get(f)
	if h := m[species.Heat]; h.Value != 31 || h.Stage != "egg" || h.Assumed || h.Source != "measured here" || h.Window != "" {
		t.Errorf("heat for eggs %+v", h)
	}
	if m[species.Chill].Value != 8 || m[species.Drying].Value != 2 || m[species.Drying].After != 3*time.Hour || m[species.Damp].Value != 90 {
		t.Errorf("limits for eggs %+v", m)
	}
	for p.Shares()[1].Share < 0.3 {
		_ = p.Advance(constant(p.Time(), 10*time.Minute, 25))
	}
	if f, err = Make(p, o); err != nil {
		t.Fatal(err)
	}
	m = get(f)
	if h := m[species.Heat]; h.Value != 30 || h.Window != "hatching" || h.Stage != "larva-1" || !h.Assumed {
		t.Errorf("heat while hatching %+v", h)
	}
	if d := m[species.Drying]; d.Value != 1.5 || d.After != 3*time.Hour*3/4 || d.Window != "hatching" {
		t.Errorf("drying while hatching %+v", d)
	}
	if ch := m[species.Chill]; ch.Value != 15 || ch.Stage != "larva-1" {
		t.Errorf("chill with eggs and larvae %+v", ch)
	}
	if got := get(nil)[species.Heat]; got.Value != 31 || got.Window != "" {
		t.Errorf("heat without a forecast %+v", got)
	}
}

func TestHourOfFindsTheFirstHour(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sum := Integral{0}
		for range rapid.IntRange(1, 200).Draw(t, "hours") {
			step := rapid.SampledFrom([]float64{0, 0, 0.25, 1, 7}).Draw(t, "step")
			sum = append(sum, sum[len(sum)-1]+step)
		}
		x := rapid.Float64Range(0, float64(len(sum)-1)).Draw(t, "x")
		goal := sum.At(x) + rapid.Float64Range(0, 30).Draw(t, "need")
		got, ok := sum.hourOf(x, goal)
		if ok != (goal <= sum[len(sum)-1]) {
			t.Fatalf("reached %v for %v of %v", ok, goal, sum[len(sum)-1])
		}
		if !ok {
			return
		}
		if got < x || math.Abs(sum.At(got)-goal) > 1e-9 {
			t.Fatalf("hour %v after %v holds %v, want %v", got, x, sum.At(got), goal)
		}
		if before := got - 1e-6; before > x && sum.At(before) >= goal {
			t.Fatalf("hour %v is not the first", got)
		}
	})
}

func TestOneOutlookServesManyGoroutines(t *testing.T) {
	o := outlook(t, ConstantAir(24), AirUncertainty{DayMeanSDC: 1, Persistence: 0.5}, 60)
	p := newProgress(t, speciestest.Named(t, "cydia-pomonella"))
	var wg sync.WaitGroup
	medians := make([]time.Time, 4)
	for g := range medians {
		wg.Go(func() {
			f, err := Make(p, o)
			if err != nil {
				t.Error(err)
				return
			}
			medians[g] = f.Events[0].Median
		})
	}
	wg.Wait()
	for _, m := range medians {
		if m.IsZero() || !m.Equal(medians[0]) {
			t.Errorf("medians %v differ", medians)
		}
	}
}

// entered is the share of the cohort that has entered stage s.
func entered(p *population.Progress, s int) float64 {
	share := 0.0
	for i := range p.Animals() {
		if p.StageOf(i) >= s {
			share += p.Share(i)
		}
	}
	return share
}
