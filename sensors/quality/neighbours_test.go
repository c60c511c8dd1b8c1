package quality

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// room simulates sensors of one room at fixed offsets from a daily curve.
type room struct {
	n       *Neighbours
	level   float64
	offsets []float64
	r       *rand.Rand
	prefix  string
}

func (o *room) id(i int) sensors.SensorID { return sensors.SensorID(fmt.Sprintf("%s%d", o.prefix, i)) }

// run feeds five-minute readings from a time for a while; change may alter
// them. It returns how long it took until a finding of sensor watch, or zero.
func (o *room) run(from time.Time, d time.Duration, watch int, check Check, change func(i int, at time.Time, x float64) float64) time.Duration {
	for m := time.Duration(0); m < d; m += 5 * time.Minute {
		at := from.Add(m)
		air := o.level + 2*math.Sin(2*math.Pi*at.Sub(start).Hours()/24)
		for i, off := range o.offsets {
			x := air + off + o.r.NormFloat64()*0.05
			if change != nil {
				x = change(i, at, x)
			}
			if _, found := o.n.Observe(o.id(i), at, x, sensors.Pass); i == watch && has(found, check) {
				return m + 1
			}
		}
	}
	return 0
}

func newRoom(prefix string, level float64, offsets ...float64) *room {
	return &room{
		n:     NewNeighbours(sensors.Temperature, DefaultNeighbourConfig(sensors.Temperature)),
		level: level, offsets: offsets, r: rand.New(rand.NewPCG(11, uint64(len(prefix)))), prefix: prefix,
	}
}

const day = 24 * time.Hour

func TestNeighbourFar(t *testing.T) {
	o := newRoom("s", 25, -1, 0, 1.2)
	if d := o.run(start, 10*day, 0, CheckNeighbour, nil); d != 0 {
		t.Fatalf("clean room flagged after %v", d)
	}
	off := func(which int, by float64) func(int, time.Time, float64) float64 {
		return func(i int, _ time.Time, x float64) float64 {
			if i == which {
				x += by
			}
			return x
		}
	}
	if d := o.run(start.Add(10*day), day, 0, CheckNeighbour, off(2, 2)); d != 0 {
		t.Errorf("innocent sensor flagged after %v", d)
	}
	if d := o.run(start.Add(12*day), day, 2, CheckNeighbour, off(2, 2)); d < 2*time.Hour || d > 3*time.Hour {
		t.Errorf("sensor 2 °C off flagged after %v, want 2 to 3 h", d)
	}
	// A sensor that always stood apart is judged from there.
	o = newRoom("s", 25, -1, 0, 3)
	if d := o.run(start, 20*day, 2, CheckNeighbour, nil); d != 0 {
		t.Errorf("warm shelf flagged after %v", d)
	}
}

func TestNeighboursNeedThree(t *testing.T) {
	o := newRoom("s", 25, 0, 0)
	if d := o.run(start, 5*day, 0, CheckNeighbour, func(i int, _ time.Time, x float64) float64 { return x + 8*float64(i) }); d != 0 {
		t.Errorf("blamed one of two after %v", d)
	}
	at := start.Add(6 * day)
	o.n.Observe("s0", at, 25, sensors.Pass)
	if flag, found := o.n.Observe("s1", at, 33, sensors.Pass); flag != 0 || len(found) > 0 {
		t.Errorf("two sensors: %v %v, want no part", flag, found)
	}
	if spread, fresh := o.n.Disagreement(at); spread != 8 || fresh != 2 {
		t.Errorf("disagreement %g of %d, want 8 of 2", spread, fresh)
	}
}

func TestDrift(t *testing.T) {
	o := newRoom("s", 25, -1, 0, 1.2)
	if d := o.run(start, 30*day, 1, CheckDrift, nil); d != 0 {
		t.Fatalf("clean room drifts after %v", d)
	}
	begin := start.Add(30 * day)
	drift := func(i int, at time.Time, x float64) float64 {
		if i == 1 {
			x += 0.1 * at.Sub(begin).Hours() / 24
		}
		return x
	}
	took := o.run(begin, 20*day, 1, CheckDrift, drift)
	if took == 0 || took > 8*day {
		t.Fatalf("0.1 °C/day found after %v", took)
	}
	o.run(begin.Add(took).Truncate(5*time.Minute), 14*day-took, -1, "", drift)
	d, ok := o.n.Drift("s1")
	if !ok || math.Abs(d.PerDay-0.1) > 0.02 || math.Abs(d.Size-1.35) > 0.2 {
		t.Errorf("drift %+v, want 0.1 a day and 1.35 by now", d)
	}
	if late := d.Since.Sub(begin); late < -2*day || late > 3*day {
		t.Errorf("since %v, want about %v", d.Since, begin)
	}
	for _, other := range []sensors.SensorID{"s0", "s2"} {
		if d, ok := o.n.Drift(other); ok {
			t.Errorf("%s blamed: %+v", other, d)
		}
	}
	o.n.Rebase("s1")
	if _, ok := o.n.Drift("s1"); ok {
		t.Error("drift kept after rebase")
	}
}

func TestNeighbourUnit(t *testing.T) {
	o := newRoom("s", 25, 0, 0.5, -0.5)
	o.run(start, time.Hour, -1, "", nil)
	at := start.Add(time.Hour)
	// A sensor new to the room that never was right.
	o.n.Observe("s0", at, 25, sensors.Pass)
	flag, found := o.n.Observe("new", at, 77.2, sensors.Suspect)
	if flag != sensors.Fail || !has(found, CheckUnitFahr) {
		t.Errorf("%v %v, want Fahrenheit", flag, found)
	}
	h := NewNeighbours(sensors.RelativeHumidity, DefaultNeighbourConfig(sensors.RelativeHumidity))
	h.Observe("a", at, 71, sensors.Pass)
	h.Observe("b", at, 74, sensors.Pass)
	if flag, found := h.Observe("c", at, 0.73, sensors.Suspect); flag != sensors.Fail || !has(found, CheckUnitRatio) {
		t.Errorf("%v %v, want ratio", flag, found)
	}
}

func TestFindSwaps(t *testing.T) {
	// The day's curve runs through both rooms at 6 °C apart.
	one, two := newRoom("a", 22, -0.4, 0, 0.4), newRoom("b", 28, -0.4, 0, 0.4)
	rooms := []*Neighbours{one.n, two.n}
	one.run(start, 8*day, -1, "", nil)
	two.run(start, 8*day, -1, "", nil)
	if s := FindSwaps(rooms, start.Add(8*day)); len(s) > 0 {
		t.Fatalf("found %v in clean rooms", s)
	}
	from := start.Add(8 * day)
	move := func(by float64) func(int, time.Time, float64) float64 {
		return func(i int, _ time.Time, x float64) float64 {
			if i == 2 {
				x += by
			}
			return x
		}
	}
	var swaps []Swap
	h := 0
	for ; h < 12 && len(swaps) == 0; h++ {
		at := from.Add(time.Duration(h) * time.Hour)
		one.run(at, time.Hour, -1, "", move(6))
		two.run(at, time.Hour, -1, "", move(-6))
		swaps = FindSwaps(rooms, at.Add(time.Hour))
	}
	if len(swaps) != 1 || swaps[0].A != "a2" || swaps[0].B != "b2" || h > 3 {
		t.Fatalf("after %d h: %v, want a2 and b2 exchanged", h, swaps)
	}
	if late := swaps[0].Since.Sub(from); late < 0 || late > 30*time.Minute {
		t.Errorf("since %v, want about %v", swaps[0].Since, from)
	}
	// Only one of them off is a fault of that one.
	one.run(from.Add(13*time.Hour), 3*time.Hour, -1, "", move(6))
	two.run(from.Add(13*time.Hour), 3*time.Hour, -1, "", nil)
	if s := FindSwaps(rooms, from.Add(16*time.Hour)); len(s) > 0 {
		t.Errorf("half an exchange named %v", s)
	}
}

func TestNeighboursRestore(t *testing.T) {
	begin := start.Add(7 * day)
	drift := func(i int, at time.Time, x float64) float64 {
		if i == 1 {
			x += 0.1 * max(0, at.Sub(begin).Hours()/24)
		}
		return x
	}
	whole, cut := newRoom("s", 25, -1, 0, 1), newRoom("s", 25, -1, 0, 1)
	whole.run(start, 20*day, -1, "", drift)
	cut.run(start, 9*day+7*time.Hour, -1, "", drift)
	data, err := json.Marshal(cut.n.State())
	if err != nil {
		t.Fatal(err)
	}
	var s NeighboursState
	if err := json.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	cut.n = NewNeighbours(sensors.Temperature, DefaultNeighbourConfig(sensors.Temperature))
	if err := cut.n.Restore(s); err != nil {
		t.Fatal(err)
	}
	cut.run(start.Add(9*day+7*time.Hour), 11*day-7*time.Hour, -1, "", drift)
	if diff := cmp.Diff(whole.n.State(), cut.n.State()); diff != "" {
		t.Errorf("state differs after restore: %s", diff)
	}
	s.Quantity = sensors.Battery
	if cut.n.Restore(s) == nil {
		t.Error("took the state of another quantity")
	}
}

// trio are three sensors of one level, each of which has just reported.
func trio(cfg NeighbourConfig, at time.Time, values ...float64) *Neighbours {
	n := NewNeighbours(sensors.Temperature, cfg)
	for i, v := range values {
		n.Observe(sensors.SensorID(rune('a'+i)), at, v, sensors.Pass)
	}
	return n
}

// A value stands for its place for three intervals, ten minutes at least and
// two hours at most, and one of an hour ahead of the others does too.
func TestFreshValues(t *testing.T) {
	for _, c := range []struct {
		seconds float64
		age     time.Duration
		want    bool
	}{
		{60, 10 * time.Minute, true}, {60, 10*time.Minute + 1e6, false},
		{600, 30 * time.Minute, true}, {600, 30*time.Minute + 1e6, false},
		{3600, 2 * time.Hour, true}, {3600, 2*time.Hour + 1e6, false},
		{60, -time.Hour, true}, {60, -time.Hour - 1e6, false},
	} {
		m := &member{Seen: true, Interval: c.seconds, At: start.UnixMilli()}
		if got := m.fresh(start.Add(c.age).UnixMilli()); got != c.want {
			t.Errorf("every %v s, after %v: fresh is %v", c.seconds, c.age, got)
		}
	}
	if (&member{}).fresh(0) {
		t.Error("a sensor never seen is fresh")
	}
}

// The weight of a new value after a time constant is 0.6, near 1 - 1/e, that
// of no time none.
func TestSmoothing(t *testing.T) {
	for seconds, want := range map[float64]float64{0: 0, -5: 0, 900: 0.6, 1800: 0.8, 90: 0.095023} {
		if got := smoothing(seconds); math.Abs(got-want) > 1e-6 {
			t.Errorf("after %v s: %v, want %v", seconds, got, want)
		}
	}
}

// Interval, level and resolution follow what comes in.
func TestMemberFollows(t *testing.T) {
	m := &member{}
	for i, c := range []struct{ seconds, value, interval, level float64 }{
		{0, 20, 0, 20},
		{900, 21, 900, 20.6},
		{900, 21, 900, 20.84},
		{1000, 21, 910, 20.84 + 0.16*smoothing(1000)},
		{9000, 21, 910 + 0.1*2*910, 21 - (0.16-0.16*smoothing(1000))*(1-smoothing(9000))},
	} {
		m.take(m.At+int64(c.seconds*1000), c.value)
		if math.Abs(m.Interval-c.interval) > 1e-9 || math.Abs(m.Level-c.level) > 1e-9 || m.Value != c.value {
			t.Errorf("reading %d: %+v, want %v s and a level of %v", i, m, c.interval, c.level)
		}
	}
	// A step of no size is none.
	for range 4 {
		m.take(m.At+1000, m.Value+sameValue/2)
	}
	if m.Step.Hits != 1 || m.Step.Candidate != 1 {
		t.Errorf("steps %+v, want the one of 1 °C", m.Step)
	}
}

// The room's level follows with the same weights, begins anew after a day, and
// does not go back in time.
func TestRoomLevelFollows(t *testing.T) {
	n := NewNeighbours(sensors.Temperature, NeighbourConfig{})
	at := start.UnixMilli()
	for i, c := range []struct {
		after  int64
		center float64
		want   float64
	}{
		{0, 20, 20}, {900 * 1000, 21, 20.6}, {900 * 1000, 25, 20.6}, {0, 25, 20.6},
		{900*1000 + dayMillis, 21, 20.6 + 0.4*smoothing(86400)}, {900*1000 + 2*dayMillis + 1, 30, 30},
	} {
		if n.follow(at+c.after, c.center); math.Abs(n.center-c.want) > 1e-9 {
			t.Errorf("step %d: %v, want %v", i, n.center, c.want)
		}
	}
}

// Far is beyond the limit for the time; until the place is learned the limit
// is wider. It ends below seven tenths of it.
func TestFarAtItsLimits(t *testing.T) {
	cfg := NeighbourConfig{Far: 1, FarUnlearned: 2, FarAfter: time.Hour}
	for _, learned := range []bool{true, false} {
		n, m, limit := NewNeighbours(sensors.Temperature, cfg), &member{Learned: learned, Base: 0.5, Deviations: Deviations{Hour: start.UnixMilli() / hourMillis}}, 2.0
		if learned {
			limit = 1
		}
		minute := 0
		far := func(size float64, since bool, flag sensors.Flag) {
			t.Helper()
			for _, sign := range []float64{1, -1} {
				m.Away = 0.5 + sign*size*limit
				got, found := n.judge(m, start.Add(time.Duration(minute)*time.Minute).UnixMilli(), nil)
				if got != flag || (m.FarSince != 0) != since || len(found) > 0 && (found[0].Size != sign*size*limit || found[0].Limit != limit) {
					t.Errorf("learned %v, minute %d, %v of the limit: %v %v, far since %d", learned, minute, sign*size, got, found, m.FarSince)
				}
			}
		}
		far(1, false, sensors.Pass)
		far(1.125, true, sensors.Pass)
		minute = 59
		far(0.75, true, sensors.Pass)
		minute = 60
		far(0.75, true, sensors.Suspect)
		far(0.6875, false, sensors.Pass)
	}
}

// Without a limit nothing is far.
func TestNothingIsFarWithoutALimit(t *testing.T) {
	n, m := NewNeighbours(sensors.Temperature, NeighbourConfig{}), &member{Away: 50}
	for hours := range 5 {
		if flag, found := n.judge(m, start.Add(time.Duration(hours)*time.Hour).UnixMilli(), nil); flag != sensors.Pass || m.FarSince != 0 {
			t.Errorf("after %d h: %v %v", hours, flag, found)
		}
	}
}

// Two others are needed to say that a sensor is in another unit, and a value
// that has come back ends it.
func TestUnitAgainstNeighbours(t *testing.T) {
	cfg := DefaultNeighbourConfig(sensors.Temperature)
	for _, c := range []struct {
		others []float64
		want   sensors.Flag
	}{{[]float64{25}, 0}, {[]float64{25, 25.5}, sensors.Fail}} {
		n := trio(cfg, start, c.others...)
		flag, found := n.Observe("z", start.Add(time.Minute), 77, sensors.Pass)
		if flag != c.want || (len(found) > 0) != (c.want != 0) {
			t.Errorf("beside %v: %v %v", c.others, flag, found)
		}
	}
	n := trio(cfg, start, 25, 25, 25)
	for i, c := range []struct {
		value float64
		since int
	}{{77, 1}, {77, 1}, {25, 0}, {77, 4}} {
		_, found := n.Observe("a", start.Add(time.Duration(i+1)*time.Minute), c.value, sensors.Pass)
		if c.since == 0 && len(found) > 0 || c.since > 0 && (len(found) != 1 || !found[0].Since.Equal(start.Add(time.Duration(c.since)*time.Minute))) {
			t.Errorf("minute %d: %v, want a finding since minute %d", i+1, found, c.since)
		}
	}
}

// A reading that is not newer teaches nothing, unless the newest was ahead by
// an hour.
func TestLateReadingsOfNeighbours(t *testing.T) {
	for late, taken := range map[time.Duration]bool{0: false, time.Hour - time.Millisecond: false, time.Hour: true} {
		n := trio(NeighbourConfig{}, start, 20, 20, 20)
		n.Observe("a", start.Add(-late), 23, sensors.Pass)
		if got := n.members[0].Value == 23; got != taken {
			t.Errorf("late by %v: taken is %v", late, got)
		}
	}
}

func TestDisagreement(t *testing.T) {
	n := trio(NeighbourConfig{}, start, 20, 21.5, 23)
	n.members[2].Base = 2.5
	for _, c := range []struct {
		after  time.Duration
		spread float64
		fresh  int
	}{{time.Minute, 1.5, 3}, {time.Hour, 0, 0}} {
		if spread, fresh := n.Disagreement(start.Add(c.after)); spread != c.spread || fresh != c.fresh {
			t.Errorf("after %v: %v among %d", c.after, spread, fresh)
		}
	}
	n.Remove("a")
	n.Remove("nobody")
	if spread, fresh := n.Disagreement(start); spread != 1 || fresh != 2 {
		t.Errorf("of two: %v among %d", spread, fresh)
	}
	n.Remove("b")
	if spread, fresh := n.Disagreement(start); spread != 0 || fresh != 1 {
		t.Errorf("of one: %v among %d", spread, fresh)
	}
}

// Beside a noisy sensor the others are noisy by half, and only it is named.
func TestTheNoisiestIsNamed(t *testing.T) {
	cfg := NeighbourConfig{NoiseRatio: 1.8}
	for _, c := range []struct {
		other, own float64
		high       int
		otherHigh  int
		want       sensors.Flag
	}{
		{0, 0.1, noiseConfirm, 1, sensors.Suspect},
		{0.1, 0.1, noiseConfirm, 1, 0},
		{0.1, 0.1, noiseConfirm, 0, sensors.Suspect},
		{0.085, 0.1, noiseConfirm, 1, sensors.Suspect},
		{0.095, 0.1, noiseConfirm, 1, 0},
		{0, 0.1, noiseConfirm - 1, 1, 0},
	} {
		n := trio(cfg, start, 20, 20, 20)
		own, other := n.members[0], n.members[1]
		own.Noise = noiseState{High: c.high, Now: c.own, Usual: 0.05, Since: 7}
		other.Noise = noiseState{High: c.otherHigh, Now: c.other, Usual: 0.05}
		flag, found := n.answer(0, nil, own)
		if flag != c.want || c.want != 0 && (math.Abs(found[0].Size-2) > 1e-9 || found[0].Limit != 1.8) {
			t.Errorf("%+v: %v %v", c, flag, found)
		}
	}
}

// The comparison wants three deviations in a row, of a sensor that reports
// often enough.
func TestNoiseAgainstNeighbours(t *testing.T) {
	for seconds, want := range map[float64]int{900: 3, 901: 0} {
		m := &member{Interval: seconds}
		for i, deviation := range []float64{0.5, 0, 0.5, 0, 0.5} {
			m.noise(int64(i+1), deviation, 1.8)
		}
		if m.Noise.Count != want || m.Apart != [2]float64{0, 0.5} {
			t.Errorf("every %v s: %d sizes of %v", seconds, m.Noise.Count, m.Apart)
		}
		m.noise(6, 0, 0)
		if m.Noise.Count != want {
			t.Errorf("without a ratio: %d sizes", m.Noise.Count)
		}
	}
}

// What all sensors do is no noise of one, and with fewer than two others
// nothing is known of it.
func TestNoiseIsThatOfOne(t *testing.T) {
	for others, want := range map[int]int{1: 0, 2: 3} {
		n := NewNeighbours(sensors.Temperature, NeighbourConfig{NoiseRatio: 1.8})
		for minute := range 5 {
			for i := range others + 1 {
				n.Observe(sensors.SensorID(rune('a'+i)), start.Add(time.Duration(minute)*time.Minute+time.Duration(i)*time.Second), 20+float64(minute%2)*4, sensors.Pass)
			}
		}
		// The last to report has the others beside it.
		if s := n.members[others].Noise; s.Count != want || s.Zero != want {
			t.Errorf("beside %d others: %d sizes, %d of them nothing", others, s.Count, s.Zero)
		}
	}
	coarse := &member{Noise: noiseState{Now: 0.2, Usual: 0.01}, Step: stepState{Resolution: 0.4}}
	if got := coarse.noiseRatio(); math.Abs(got-2) > 1e-9 {
		t.Errorf("a coarse sensor has %v times the noise, want 2", got)
	}
	// A coarse sensor is forgiven what a quarter of its step makes.
	for resolution, want := range map[float64]int{0.4: 1, 0.8: 0} {
		m := &member{Interval: 60, Aparts: 2, Step: stepState{Resolution: resolution}}
		m.Noise = noiseState{From: start.UnixMilli(), Count: 60, Windows: noiseLearnCount, LearnFrom: start.UnixMilli() - dayMillis, Usual: 0.01}
		// 60 sizes of 0.33.
		m.Noise.Bins[33] = 60
		if m.noise(start.UnixMilli()+hourMillis, 0, 1.8); m.Noise.High != want {
			t.Errorf("steps of %v: %+v, want %d windows too high", resolution, m.Noise, want)
		}
	}
}

// A shelf that is always five degrees warmer is in another unit when its value
// would be that in it.
func TestUnitOfAWarmShelf(t *testing.T) {
	n := trio(DefaultNeighbourConfig(sensors.Temperature), start, 30, 25, 25)
	n.members[0].Base = 5
	flag, found := n.Observe("a", start.Add(time.Minute), 86, sensors.Pass)
	if flag != sensors.Fail || !has(found, CheckUnitFahr) {
		t.Errorf("%v %v", flag, found)
	}
}

func TestFarForTwoHours(t *testing.T) {
	for _, q := range []sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity} {
		if got := DefaultNeighbourConfig(q).FarAfter; got != 2*time.Hour {
			t.Errorf("%v: far after %v", q, got)
		}
	}
}

func BenchmarkNeighbours(b *testing.B) {
	n := NewNeighbours(sensors.Temperature, DefaultNeighbourConfig(sensors.Temperature))
	ids := []sensors.SensorID{"a", "b", "c", "d"}
	at := start
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		at = at.Add(15 * time.Second)
		n.Observe(ids[i%4], at, 25+float64(i%7)/50, sensors.Pass)
	}
}
