package roomair

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

func newTrack() *Track { return &Track{Rules: testRules()} }

func sample(minutes, c float64) Sample { return Sample{at(minutes), "a", c} }

// However readings are mixed up in arriving, and however often the curve is
// settled in between, it is the one of the readings in order.
func TestTrackSortsWhatArrives(t *testing.T) {
	var samples []Sample
	for i := range 60 {
		samples = append(samples, Sample{at(float64(i) * 7), sensors.SensorID(rune('a' + i%2)), 20 + float64(i%9)})
	}
	want := fold(samples)
	rng := rand.New(rand.NewPCG(3, 4))
	for range 20 {
		track := newTrack()
		var got []Segment
		emit := func(s Segment) { got = append(got, s) }
		// Nothing arrives more than an hour late, and so much is left open.
		waiting := slices.Clone(samples)
		for block := range slices.Chunk(waiting, 8) {
			rng.Shuffle(len(block), func(i, j int) { block[i], block[j] = block[j], block[i] })
		}
		for _, s := range waiting {
			track.Add(s, at(500))
			if to := s.Time.Add(-2 * time.Hour); to.After(track.Settled) {
				track.Settle(to, emit)
			}
		}
		if !track.Late.From.IsZero() {
			t.Fatalf("something counts as late: %+v", track.Late)
		}
		settled := len(got)
		track.Open(emit)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("after %d settled segments: %s", settled, d)
		}
		if settled == 0 || settled == len(got) {
			t.Fatalf("%d of %d segments are settled", settled, len(got))
		}
		got = got[:settled]
		track.Open(emit)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("looking at the open part changed it: %s", d)
		}
	}
}

// A sample of the settled time sends the track back to the earliest such, and
// not before the stream has dried up, or for too long.
func TestTrackGoesBackForLateSamples(t *testing.T) {
	track := newTrack()
	track.Settle(at(60), func(Segment) {})
	track.Add(sample(60, 20), at(70))
	track.Add(sample(30, 20), at(71))
	track.Add(sample(40, 20), at(72))
	want := Lateness{From: at(30), First: at(70), Last: at(72)}
	if d := cmp.Diff(want, track.Late); d != "" || len(track.Tail) != 0 {
		t.Errorf("%s, waiting %v", d, track.Tail)
	}
	for _, c := range []struct {
		late  Lateness
		after time.Duration
		due   bool
	}{
		{Lateness{}, 24 * time.Hour, false},
		{Lateness{From: at(1), First: at(10), Last: at(10)}, 9999 * time.Millisecond, false},
		{Lateness{From: at(1), First: at(10), Last: at(10)}, 10 * time.Second, true},
		{Lateness{From: at(1), First: at(10).Add(-15*time.Minute + time.Second), Last: at(10)}, 0, false},
		{Lateness{From: at(1), First: at(10).Add(-15 * time.Minute), Last: at(10)}, 0, true},
	} {
		if got := c.late.Due(at(10).Add(c.after)); got != c.due {
			t.Errorf("%+v is due after %v: %v, want %v", c.late, c.after, got, c.due)
		}
	}
	before := track.Version()
	track.Refold(Curve{PointC: 7})
	if !track.Late.From.IsZero() || track.Curve.PointC != 7 || track.Version() <= before {
		t.Errorf("after it is folded anew: %+v", track)
	}
}

// What has been told stays true as long as the version is the same.
func TestTrackVersion(t *testing.T) {
	track := newTrack()
	step := func(what string, changes bool, do func()) {
		t.Helper()
		before := track.Version()
		do()
		if after := track.Version(); (after > before) != changes || after < before {
			t.Errorf("%s: version from %d to %d, want changed %v", what, before, after, changes)
		}
	}
	step("a sample", true, func() { track.Add(sample(10, 20), at(10)) })
	step("settling it", true, func() { track.Settle(at(10), func(Segment) {}) })
	step("settling nothing", false, func() { track.Settle(at(11), func(Segment) {}) })
	step("a late sample", false, func() { track.Add(sample(5, 20), at(12)) })
	step("other samples", true, func() { track.Refill([]Sample{sample(14, 21), sample(13, 22)}) })
	if d := cmp.Diff([]Sample{sample(13, 22), sample(14, 21)}, track.Tail); d != "" {
		t.Error(d)
	}
	step("one taken back", true, func() { track.Withdraw("a", at(13), at(15)) })
	if d := cmp.Diff([]Sample{sample(14, 21)}, track.Tail); d != "" || !track.Late.From.Equal(at(5)) {
		t.Error(d, track.Late)
	}
	step("one of another sensor taken back", true, func() { track.Withdraw("b", at(14), at(15)) })
	if len(track.Tail) != 1 {
		t.Errorf("waiting %v, want the one sample", track.Tail)
	}
	step("a settled one taken back", true, func() { track.Withdraw("a", at(3), at(16)) })
	if !track.Late.From.Equal(at(3)) || !track.Late.Last.Equal(at(16)) {
		t.Errorf("not gone back for what was taken back: %+v", track.Late)
	}
}

// One mark for each hour that was settled, as many as are kept, and the newest
// before a time is found until it is forgotten.
func TestTrackMarks(t *testing.T) {
	track := newTrack()
	marked := 0
	for m := 0.0; m < 60*(marksKept+2); m += 20 {
		track.Settle(at(m), func(Segment) {})
		if mark, ok := track.Mark(); ok {
			marked++
			if !mark.At.Equal(at(m)) || int(m)%60 != 0 {
				t.Errorf("marked %v at %v min", mark.At, m)
			}
		}
	}
	if marked != marksKept+2 || len(track.marks) != marksKept {
		t.Errorf("%d marks were made and %d kept", marked, len(track.marks))
	}
	before := func(minutes float64) string {
		m, ok := track.MarkBefore(at(minutes))
		if !ok {
			return "none"
		}
		return m.At.Sub(day).String()
	}
	for minutes, want := range map[float64]string{120: "none", 121: "2h0m0s", 180: "2h0m0s", 181: "3h0m0s", 1e5: "49h0m0s"} {
		if got := before(minutes); got != want {
			t.Errorf("mark before %v min: %s, want %s", minutes, got, want)
		}
	}
	track.Forget(at(180))
	if got := before(1e5); got != "2h0m0s" {
		t.Errorf("after all from 3:00 is forgotten: %s", got)
	}
}

func TestSampleOf(t *testing.T) {
	r := sensors.Reading{Series: sensors.Series{Sensor: "a", Quantity: sensors.Temperature}, Time: at(1), Value: 21, Flag: sensors.Pass}
	if got, ok := SampleOf(r); !ok || got != sample(1, 21) {
		t.Errorf("%+v, %v", got, ok)
	}
	humid, suspect := r, r
	humid.Quantity, suspect.Flag = sensors.RelativeHumidity, sensors.Suspect
	for _, r := range []sensors.Reading{humid, suspect} {
		if _, ok := SampleOf(r); ok {
			t.Errorf("%+v feeds thermal time", r)
		}
	}
}
