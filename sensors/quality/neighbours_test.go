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
