package population

import (
	"bytes"
	"errors"
	"iter"
	"math"
	"testing"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// hours gives n hourly segments of one temperature from t0 on.
func hours(n int, c float64) iter.Seq[Segment] {
	return func(yield func(Segment) bool) {
		for h := range n {
			if !yield(constant(t0.Add(time.Duration(h)*time.Hour), time.Hour, c)) {
				return
			}
		}
	}
}

// days is hours in steps of half a day.
func days(n int, c float64) iter.Seq[Segment] {
	return func(yield func(Segment) bool) {
		for d := range 2 * n {
			if !yield(constant(t0.Add(time.Duration(d)*12*time.Hour), 12*time.Hour, c)) {
				return
			}
		}
	}
}

func bytesOf(t testing.TB, p *Progress) []byte {
	t.Helper()
	data, err := p.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func TestCountMovesRateAndStages(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	base, err := replay(newProgress(t, sp), hours(24*8, 25), nil)
	if err != nil {
		t.Fatal(err)
	}
	before, _ := base.RateFactor()
	if math.Abs(before-1) > 0.02 {
		t.Fatalf("rate factor %v before any count", before)
	}
	at, _ := sp.StageIndex("larva-3")
	for _, tt := range []struct {
		name   string
		count  Count
		faster bool
	}{
		{"ahead", Count{Stage: "larva-3", Seen: 48, Of: 52, OrBeyond: true}, true},
		{"behind", Count{Stage: "larva-3", Seen: 2, Of: 52, OrBeyond: true}, false},
	} {
		tt.count.Time = base.Time()
		p := base.Clone()
		share := p.passed[at]
		if err := p.Count(tt.count); err != nil {
			t.Fatal(err)
		}
		after, sd := p.RateFactor()
		if (after > before+0.01) != tt.faster || (after < before-0.01) == tt.faster {
			t.Errorf("%s: rate factor %v became %v", tt.name, before, after)
		}
		if _, was := base.RateFactor(); !(sd < was) {
			t.Errorf("%s: doubt about the rate rose from %v to %v", tt.name, was, sd)
		}
		seen := float64(tt.count.Seen) / 52
		if got := p.passed[at]; math.Abs(got-seen) > 0.75*math.Abs(share-seen) || math.Abs(got-seen) > 0.15 {
			t.Errorf("%s: share %v became %v, counted %v", tt.name, share, got, seen)
		}
		total := 0.0
		for _, s := range p.Shares() {
			total += s.Share
		}
		if math.Abs(total-1) > 1e-9 {
			t.Errorf("%s: shares add up to %v", tt.name, total)
		}
		if ty := p.Typical(); ty != base.Typical() {
			t.Errorf("%s: the plain thermal time moved from %+v to %+v", tt.name, base.Typical(), ty)
		}
	}
}

func TestOrderOfEntryUndoAndBackdating(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	start := newProgress(t, sp)
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(rt, "counts")
		counts := make([]Count, n)
		for i := range counts {
			of := rapid.IntRange(1, 60).Draw(rt, "of")
			counts[i] = Count{
				Time:  t0.Add(time.Duration(rapid.IntRange(0, 12).Draw(rt, "day")) * 24 * time.Hour),
				Stage: rapid.SampledFrom(sp.Stages).Draw(rt, "stage").ID,
				Of:    of, Seen: rapid.IntRange(0, of).Draw(rt, "seen"),
				Lost: rapid.IntRange(0, 3).Draw(rt, "lost"), Cause: "stuck skin",
			}
		}
		whole, err := replay(start, days(13, 24), counts)
		if err != nil {
			rt.Fatal(err)
		}
		// Entered in another order.
		shuffled, err := replay(start, days(13, 24), rapid.Permutation(counts).Draw(rt, "order"))
		if err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(bytesOf(t, whole), bytesOf(t, shuffled)) {
			rt.Fatal("order of entry matters")
		}
		// Entered and taken back.
		undone := Count{ID: 99, Time: t0.Add(50 * time.Hour), Stage: "egg", Seen: 1, Of: 60, Undone: true}
		back, err := replay(start, days(13, 24), append([]Count{undone}, counts...))
		if err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(bytesOf(t, whole), bytesOf(t, back)) {
			rt.Fatal("an undone count left a trace")
		}
		if whole.Alive() < 0 || len(whole.Verdicts()) != n {
			rt.Fatalf("%d alive, %d verdicts of %d counts", whole.Alive(), len(whole.Verdicts()), n)
		}
		sum := 0.0
		for _, b := range whole.belief {
			if !(b >= 0) {
				rt.Fatalf("belief %v", b)
			}
			sum += b
		}
		if math.Abs(sum-1) > 1e-9 {
			rt.Fatalf("beliefs add up to %v", sum)
		}
		restored, err := RestoreProgress(sp, cohort(sp, 60), bytesOf(t, whole))
		if err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(bytesOf(t, whole), bytesOf(t, restored)) {
			rt.Fatal("checkpoint with counts does not restore")
		}
	})
}

func TestConflictIsTold(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	p, err := replay(newProgress(t, sp), hours(24*8, 25), []Count{
		{ID: 1, Time: t0.Add(24 * 8 * time.Hour), Stage: "pupa", Seen: 50, Of: 52},
		{ID: 2, Time: t0.Add(24 * 8 * time.Hour), Stage: "larva-1", Seen: 30, Of: 52, OrBeyond: true},
	})
	if err != nil {
		t.Fatal(err)
	}
	conflicts := map[CountID]bool{}
	for _, v := range p.Verdicts() {
		conflicts[v.Count] = v.Conflict
		if v.Low > v.High || v.Expected < 0 || v.Expected > 52 || !(v.Chance >= 0 && v.Chance <= 1) {
			t.Errorf("verdict %+v", v)
		}
	}
	if !conflicts[1] || !conflicts[2] {
		t.Errorf("conflicts %v, want both: no pupae and all hatched on day 8", conflicts)
	}
	q, err := replay(newProgress(t, sp), hours(24*8, 25), []Count{{ID: 1, Time: t0.Add(24 * 8 * time.Hour), Stage: "larva-1", Seen: 52, Of: 52, OrBeyond: true}})
	if err != nil {
		t.Fatal(err)
	}
	if v := q.Verdicts()[0]; v.Conflict || v.Chance < 0.05 {
		t.Errorf("all hatched on day 8: %+v, want agreement", v)
	}
}

func TestCountBooksLossesAndRefusesTheImpossible(t *testing.T) {
	sp := speciestest.Named(t, "morpho-peleides")
	p := newProgress(t, sp)
	if err := p.Count(Count{Time: t0, Stage: "egg", Lost: 7, Cause: "dark eggs"}); err != nil {
		t.Fatal(err)
	}
	if p.Alive() != 53 || len(p.Verdicts()) != 0 {
		t.Errorf("%d alive, %d verdicts; want 53 and none", p.Alive(), len(p.Verdicts()))
	}
	if diff := cmp.Diff([]Loss{{t0, "egg", "dark eggs", 7}}, p.Losses()); diff != "" {
		t.Error(diff)
	}
	if err := p.Count(Count{Time: t0, Stage: "egg", Seen: 58, Of: 58}); err != nil || p.Alive() != 58 {
		t.Errorf("%d alive after 58 were counted, %v", p.Alive(), err)
	}
	if err := p.Count(Count{Time: t0, Stage: "egg", Lost: 500}); err != nil || p.Alive() != 0 {
		t.Errorf("%d alive after all were lost, %v", p.Alive(), err)
	}
	for _, tt := range []struct {
		count Count
		want  error
	}{
		{Count{Time: t0, Stage: "nymph", Seen: 1}, errCountStage},
		{Count{Time: t0, Stage: "egg", Seen: 5, Of: 4}, errCountNumbers},
		{Count{Time: t0, Stage: "egg", Seen: -1}, errCountNumbers},
		{Count{Time: t0, Stage: "egg", LengthMM: math.NaN()}, errCountNumbers},
		{Count{Time: t0.Add(-time.Hour), Stage: "egg", Seen: 1, Of: 4}, errCountTime},
	} {
		if err := p.Count(tt.count); !errors.Is(err, tt.want) {
			t.Errorf("%+v: %v, want %v", tt.count, err, tt.want)
		}
	}
}

func TestLengthIsAWeakWitness(t *testing.T) {
	// Morpho larvae grow from about 10 to 35 mm in the second instar, in the
	// middle of which the typical one is after 18 days.
	sp := speciestest.Named(t, "morpho-peleides")
	base, err := replay(newProgress(t, sp), hours(24*18, 26), nil)
	if err != nil {
		t.Fatal(err)
	}
	rate := func(lengthMM float64) float64 {
		p := base.Clone()
		if err := p.Count(Count{Time: p.Time(), Stage: "larva-3", LengthMM: lengthMM}); err != nil {
			t.Fatal(err)
		}
		mean, _ := p.RateFactor()
		return mean
	}
	small, large := rate(10), rate(40)
	if !(small < 0.98 && large > 1.03 && large < 1.2 && small > 0.85) {
		t.Errorf("rate factor %v for small larvae, %v for large ones", small, large)
	}
}

func TestSeenWithoutNumberLookedAtIsALowerBound(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	base, err := replay(newProgress(t, sp), hours(24*8, 25), nil)
	if err != nil {
		t.Fatal(err)
	}
	was, _ := base.RateFactor()
	for _, tt := range []struct {
		stage  species.StageID
		seen   int
		change bool
	}{{"larva-1", 1, false}, {"larva-3", 59, true}} {
		p := base.Clone()
		if err := p.Count(Count{Time: p.Time(), Stage: tt.stage, OrBeyond: true, Seen: tt.seen}); err != nil {
			t.Fatal(err)
		}
		if got, _ := p.RateFactor(); (math.Abs(got-was) > 0.01) != tt.change {
			t.Errorf("at least %d seen in %s: rate factor %v became %v", tt.seen, tt.stage, was, got)
		}
	}
}

func TestBetaBinomial(t *testing.T) {
	// With a = b = 1 every number is equally likely: 1/(n+1).
	for k := range 11 {
		if got := betaBinomial(k, 10, 1, 1); math.Abs(got-1.0/11) > 1e-12 {
			t.Errorf("chance of %d in 10 = %v, want 1/11", k, got)
		}
	}
	// Large a and b approach the binomial: C(10,3) 0.3^3 0.7^7 = 0.26683.
	if got := betaBinomial(3, 10, 3e6, 7e6); math.Abs(got-0.266828) > 1e-5 {
		t.Errorf("chance of 3 in 10 = %v, want 0.26683", got)
	}
}

func TestLossesAddUpByStageAndCause(t *testing.T) {
	got := SumLosses([]Loss{
		{t0, "pupa", "mould", 2}, {t0, "egg", "dark eggs", 3}, {t0, "pupa", "mould", 1}, {t0, "egg", "ants", 4},
	})
	want := []LossSum{{"egg", "ants", 4}, {"egg", "dark eggs", 3}, {"pupa", "mould", 3}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}
