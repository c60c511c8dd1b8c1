package population

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"testing"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestTypicalAnimalTakesTheStatedDays(t *testing.T) {
	// At the temperature a duration was stated for, the typical animal takes
	// exactly that long: Morpho eggs 5 days, pupa 10 days at 26 °C.
	sp := speciestest.Named(t, "morpho-peleides")
	p := newProgress(t, sp)
	for range 24 * 90 {
		if err := p.Advance(constant(p.Time(), time.Hour, 26)); err != nil {
			t.Fatal(err)
		}
	}
	want := map[species.StageID]float64{"egg": 0, "larva-1": 5, "larva-2": 14, "larva-3": 22, "larva-4": 30, "larva-5": 40, "prepupa": 54, "pupa": 55.5, "adult": 65.5}
	entries := p.Entries()
	if len(entries) != len(want) {
		t.Fatalf("entered %d stages, want %d", len(entries), len(want))
	}
	for _, e := range entries {
		if got := e.Time.Sub(t0).Hours() / 24; math.Abs(got-want[e.Stage]) > 1e-9 {
			t.Errorf("%s entered after %v days, want %v", e.Stage, got, want[e.Stage])
		}
	}
	got := p.Typical()
	if got.Stage != "adult" || got.StageProgress != 1 || math.Abs(got.DegreeDays-65.5*14) > 1e-8 {
		t.Errorf("typical = %+v, want an adult after %v degree-days", got, 65.5*14)
	}
}

func TestThermalTimeMatchesPublishedDuration(t *testing.T) {
	// Delias nigrina took 52 days at 19 °C and 29 days at 27 °C from first
	// instar to adult (Braby and Lyonns 2003, Aust. J. Entomol. 42); its line
	// (threshold 9.29, 494 degree-days) gives 50.9 and 27.9.
	sp := speciestest.Named(t, "delias-nigrina")
	for _, tt := range []struct{ c, days float64 }{{19, 52}, {27, 29}} {
		c := cohort(sp, 10)
		c.StartStage = "larva-1"
		p, err := NewProgress(sp, c)
		if err != nil {
			t.Fatal(err)
		}
		if err := p.Advance(constant(t0, 100*24*time.Hour, tt.c)); err != nil {
			t.Fatal(err)
		}
		es := p.Entries()
		got := es[len(es)-1].Time.Sub(t0).Hours() / 24
		if es[len(es)-1].Stage != "adult" || math.Abs(got-tt.days)/tt.days > 0.04 {
			t.Errorf("at %v °C adult after %.1f days, published %v", tt.c, got, tt.days)
		}
	}
}

// state is what must not depend on how the air was cut into segments.
func state(p *Progress) []float64 {
	ty := p.Typical()
	out := []float64{ty.DegreeDays, ty.Estimated, ty.StageProgress}
	for _, s := range p.Shares() {
		out = append(out, s.Share)
	}
	for _, e := range p.Entries() {
		out = append(out, e.Time.Sub(p.start).Hours())
	}
	for i := range p.stage {
		if !p.species.Endless(int(p.stage[i])) {
			out = append(out, p.target[i]-p.sums[p.stage[i]])
		}
	}
	return out
}

func near(a, b []float64, tolerance float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if math.Abs(a[i]-b[i]) > tolerance*(1+math.Abs(b[i])) {
			return false
		}
	}
	return true
}

func TestSplittingSegmentsChangesNothing(t *testing.T) {
	c := speciestest.Library(t)
	all := c.All()
	rapid.Check(t, func(t *rapid.T) {
		sp := rapid.SampledFrom(all).Draw(t, "species")
		size := Size{Individuals: 16, Rates: 5}
		whole, err := NewProgressOfSize(sp, cohort(sp, 50), size)
		if err != nil {
			t.Fatal(err)
		}
		split, _ := NewProgressOfSize(sp, cohort(sp, 50), size)
		now, temp := t0, 20.0
		for range rapid.IntRange(1, 12).Draw(t, "segments") {
			d := time.Duration(rapid.IntRange(1, 14*24*3600).Draw(t, "seconds")) * time.Second
			next := rapid.Float64Range(0, 42).Draw(t, "to")
			seg := Segment{From: now, To: now.Add(d), FromC: temp, ToC: next, Estimated: rapid.Bool().Draw(t, "estimated")}
			if err := whole.Advance(seg); err != nil {
				t.Fatal(err)
			}
			for rest := seg; ; {
				f := rapid.Float64Range(0.01, 1.2).Draw(t, "cut")
				at := rest.From.Add(time.Duration(f * float64(rest.To.Sub(rest.From))))
				if !at.Before(rest.To) {
					_ = split.Advance(rest)
					break
				}
				tail := rest.cut(at)
				rest.To, rest.ToC = at, tail.FromC
				_ = split.Advance(rest)
				rest = tail
			}
			now, temp = seg.To, next
		}
		if a, b := state(whole), state(split); !near(a, b, 1e-9) {
			t.Fatalf("split differs: %v", cmp.Diff(a, b))
		}
	})
}

func TestMoreHeatBelowTheUpperThresholdIsNeverSlower(t *testing.T) {
	all := speciestest.Library(t).All()
	rapid.Check(t, func(t *rapid.T) {
		sp := rapid.SampledFrom(all).Draw(t, "species")
		size := Size{Individuals: 16, Rates: 3}
		cool, err := NewProgressOfSize(sp, cohort(sp, 50), size)
		if err != nil {
			t.Fatal(err)
		}
		warm, _ := NewProgressOfSize(sp, cohort(sp, 50), size)
		for range rapid.IntRange(1, 20).Draw(t, "segments") {
			c := rapid.Float64Range(5, 25).Draw(t, "temperature")
			extra := rapid.Float64Range(0, 6).Draw(t, "extra")
			d := time.Duration(rapid.IntRange(1, 5*24).Draw(t, "hours")) * time.Hour
			_ = cool.Advance(constant(cool.Time(), d, c))
			_ = warm.Advance(constant(warm.Time(), d, c+extra))
			for i := range cool.stage {
				if warm.stage[i] < cool.stage[i] {
					t.Fatalf("animal %d is in stage %d when warmer, %d when cooler", i, warm.stage[i], cool.stage[i])
				}
			}
		}
	})
}

func TestCheckpointContinuesExactly(t *testing.T) {
	sp := speciestest.Named(t, "danaus-plexippus")
	p := newProgress(t, sp)
	seg := func(h int) Segment {
		return Segment{From: t0.Add(time.Duration(h) * time.Hour), To: t0.Add(time.Duration(h+1) * time.Hour),
			FromC: 24 + 5*math.Sin(float64(h)/4), ToC: 24 + 5*math.Sin(float64(h+1)/4), Estimated: h%7 == 0}
	}
	for h := range 300 {
		if err := p.Advance(seg(h)); err != nil {
			t.Fatal(err)
		}
	}
	data, err := p.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("checkpoint: %d bytes", len(data))
	q, err := RestoreProgress(sp, cohort(sp, 60), data)
	if err != nil {
		t.Fatal(err)
	}
	for h := 300; h < 900; h++ {
		_ = p.Advance(seg(h))
		_ = q.Advance(seg(h))
	}
	a, _ := p.MarshalBinary()
	b, _ := q.MarshalBinary()
	if !cmp.Equal(a, b) {
		t.Error("restored progress goes on differently")
	}
	if _, err := RestoreProgress(speciestest.Named(t, "bombyx-mori"), cohort(speciestest.Named(t, "bombyx-mori"), 60), data); !errors.Is(err, errSpeciesChanged) {
		t.Errorf("restore with another species: %v, want errSpeciesChanged", err)
	}
	for _, bad := range [][]byte{nil, data[:10], append([]byte{9}, data[1:]...), append(append([]byte(nil), data...), 0)} {
		if _, err := RestoreProgress(sp, cohort(sp, 60), bad); !errors.Is(err, errCheckpoint) {
			t.Errorf("restore of damaged data: %v, want errCheckpoint", err)
		}
	}
}

func TestAdvanceRefusesAndSkips(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	p := newProgress(t, sp)
	for _, tt := range []struct {
		name string
		seg  Segment
		want error
	}{
		{"backwards", Segment{From: t0.Add(time.Hour), To: t0, FromC: 20, ToC: 20}, errBackwards},
		{"not a number", constant(t0, time.Hour, math.NaN()), errTemperature},
		{"impossible", constant(t0, time.Hour, 400), errTemperature},
	} {
		if err := p.Advance(tt.seg); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
	if !p.Time().Equal(t0) || p.Typical().DegreeDays != 0 {
		t.Fatal("refused segments moved the cohort")
	}
	// A segment that began before the cohort counts from the cohort's start.
	_ = p.Advance(constant(t0.Add(-time.Hour), 25*time.Hour, 20))
	_ = p.Advance(constant(t0.Add(-time.Hour), 25*time.Hour, 20))
	if got := p.Typical().DegreeDays; math.Abs(got-10) > 1e-9 {
		t.Errorf("a day at 20 °C above 10 °C gave %v degree-days", got)
	}
	_ = p.Advance(constant(t0.Add(48*time.Hour), 24*time.Hour, 20))
	if p.missing != 24*time.Hour || math.Abs(p.Typical().DegreeDays-20) > 1e-9 {
		t.Errorf("missing %v and %v degree-days, want 24h and 20", p.missing, p.Typical().DegreeDays)
	}
}

func TestSharesFollowTheStatedSpread(t *testing.T) {
	// With every cohort alike, the share hatched at a thermal time is the
	// Weibull of the stage: F(x) of Wagner et al. 1984.
	sp := speciestest.Named(t, "manduca-sexta")
	p, err := NewProgressOfSize(sp, cohort(sp, 100), Size{Individuals: 1024, Rates: 1})
	if err != nil {
		t.Fatal(err)
	}
	egg := sp.Stages[0]
	for _, u := range []float64{0.1, 0.5, 0.9} {
		x := egg.Distribution.Quantile(u, egg.Spread)
		at := t0.Add(time.Duration(x * 4 * 24 * float64(time.Hour)))
		if err := p.Advance(Segment{From: p.Time(), To: at, FromC: 27, ToC: 27}); err != nil {
			t.Fatal(err)
		}
		if got := 1 - p.Shares()[0].Share; math.Abs(got-u) > 0.002 {
			t.Errorf("hatched %v, want %v", got, u)
		}
	}
}

func TestNonlinearStagesPassAsTheirRateSays(t *testing.T) {
	// Cydia pomonella, Brière-1 of Aghdam et al. 2009 (Environ. Entomol. 38):
	// at 25 °C the rate is 0.19813 a day for eggs and 0.05465 for larvae.
	c, err := speciestest.Overlay(t, `
- id: cydia-pomonella
  stages:
    - id: egg
      model: briere-1
      parameters: {a: 1.453e-4, lower: 9.645, upper: 37.6185}
      lower_celsius: 10.3
      source: Aghdam et al. 2009
    - {id: larva-1, model: briere-1, share: 0.3, parameters: {a: 4.022e-5, lower: 8.8676, upper: 36.3525}, source: Aghdam et al. 2009}
    - {id: larva-2, model: briere-1, share: 0.7, parameters: {a: 4.022e-5, lower: 8.8676, upper: 36.3525}, source: Aghdam et al. 2009}
    - {id: larva-3, lower_celsius: 9, requirement_degree_days: 10}
    - {id: larva-4, lower_celsius: 9, requirement_degree_days: 10}
    - {id: larva-5, lower_celsius: 9, requirement_degree_days: 10}
    - {id: prepupa, lower_celsius: 9, requirement_degree_days: 10}
`)
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := c.Species("cydia-pomonella")
	p := newProgress(t, sp)
	if err := p.Advance(constant(t0, 100*24*time.Hour, 25)); err != nil {
		t.Fatal(err)
	}
	days := map[species.StageID]float64{}
	for _, e := range p.Entries() {
		days[e.Stage] = e.Time.Sub(t0).Hours() / 24
	}
	if got := days["larva-1"]; math.Abs(got-1/0.19813) > 1e-3 {
		t.Errorf("eggs took %v days, published rate gives %v", got, 1/0.19813)
	}
	if got := days["larva-3"] - days["larva-1"]; math.Abs(got-1/0.05465) > 2e-3 {
		t.Errorf("larvae took %v days, published rate gives %v", got, 1/0.05465)
	}
	if got := sp.Stages[0]; got.Rate.Unit() != "stages" || got.DegreeDays == nil || got.Requirement != 1 || got.Assumed {
		t.Errorf("egg %+v", got)
	}
}

func FuzzRestoreProgress(f *testing.F) {
	sp := speciestest.Named(f, "vanessa-cardui")
	p, err := NewProgressOfSize(sp, cohort(sp, 9), Size{Individuals: 8, Rates: 3})
	if err != nil {
		f.Fatal(err)
	}
	_ = p.Advance(constant(t0, 100*time.Hour, 25))
	_ = p.Count(Count{Time: p.Time(), Stage: "egg", Seen: 3, Of: 9, Lost: 1})
	data, err := p.MarshalBinary()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data[:len(data)-4])
	f.Fuzz(func(t *testing.T, body []byte) {
		// A right checksum over damaged content must not crash either.
		sealed := binary.LittleEndian.AppendUint32(bytes.Clone(body), crc32.ChecksumIEEE(body))
		if q, err := RestoreProgress(sp, cohort(sp, 9), sealed); err == nil {
			again, err := q.MarshalBinary()
			if err != nil || len(again) == 0 {
				t.Fatalf("restored state cannot be kept: %v", err)
			}
		}
	})
}

func TestMainStageFollowsCounts(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	p := newProgress(t, sp)
	_ = p.Advance(constant(t0, 8*24*time.Hour, 25))
	if s, x := p.Main(); s != "larva-2" || x < 0.2 || x > 0.9 {
		t.Errorf("before counting %s %v", s, x)
	}
	if err := p.Count(Count{Time: p.Time(), Stage: "larva-3", Seen: 50, Of: 52}); err != nil {
		t.Fatal(err)
	}
	if s, x := p.Main(); s != "larva-3" || !(x >= 0 && x < 1) {
		t.Errorf("after counting %s %v", s, x)
	}
	if p.Typical().Stage != "larva-2" {
		t.Errorf("typical animal in %s, want larva-2 as the plain thermal time says", p.Typical().Stage)
	}
}
