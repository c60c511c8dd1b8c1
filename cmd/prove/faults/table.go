package faults

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// Options say how much to simulate. The zero value takes the defaults.
type Options struct {
	// Trials of each fault; 12 if zero.
	Trials int
	// CleanDays of four clean rooms with three sensors each; 180 if zero,
	// which is 5.9 sensor-years.
	CleanDays int
}

func (o Options) withDefaults() Options {
	if o.Trials <= 0 {
		o.Trials = 12
	}
	if o.CleanDays <= 0 {
		o.CleanDays = 180
	}
	return o
}

// Row is what became of one fault.
type Row struct {
	Fault  Fault `json:"fault"`
	Trials int   `json:"trials"`
	// Found counts trials in which the faulty sensor was complained of before
	// the end; Named those in which the complaint named the fault.
	Found int `json:"found"`
	Named int `json:"named"`
	// Delay from the fault to the first complaint, over the found ones.
	DelayMedianSeconds float64 `json:"delay_median_seconds"`
	DelayWorstSeconds  float64 `json:"delay_worst_seconds"`
	// NamedMedianSeconds is the delay to the complaint that names it.
	NamedMedianSeconds float64 `json:"named_median_seconds"`
	// Blamed counts sensors without the fault that were complained of.
	Blamed int `json:"innocents_blamed"`
	// First counts what the first complaint was.
	First map[quality.Check]int `json:"first_complaint"`
}

// Clean is what became of clean data.
type Clean struct {
	SensorYears float64 `json:"sensor_years"`
	// Episodes of complaints; those of one kind about one sensor within an
	// hour of each other are one.
	Episodes      int                   `json:"false_episodes"`
	PerSensorYear float64               `json:"false_episodes_per_sensor_year"`
	ByCheck       map[quality.Check]int `json:"by_check"`
}

// Table is the outcome for one seed.
type Table struct {
	Seed  uint64 `json:"seed"`
	Rows  []Row  `json:"faults"`
	Clean Clean  `json:"clean"`
}

const (
	tickSeconds = 30.0
	daySeconds  = 86400.0
	// learnDays precede every fault, so that the tests know the room.
	learnDays = 9
)

// epoch is an arbitrary Monday at midnight.
func epoch() time.Time { return time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC) }

// facility is a simulation in progress.
type facility struct {
	air     []*air
	devices []*device
	w       *watch
	seconds float64
}

// newFacility builds rooms of the given kinds with three sensors each.
func newFacility(r *rand.Rand, ks []kind, complain func(sensors.SensorID, quality.Check, time.Time)) *facility {
	f := &facility{w: newWatch(len(ks), complain)}
	n := r.IntN(12)
	for i, k := range ks {
		f.air = append(f.air, newAir(k, r))
		for s := range 3 {
			f.devices = append(f.devices, newDevice(sensors.SensorID(fmt.Sprintf("%s-%d", k.name, s)), i, n, r))
			n++
		}
	}
	return f
}

func at(seconds float64) time.Time {
	return epoch().Add(time.Duration(seconds*1000) * time.Millisecond)
}

// run advances to an end, or until stop says so after a tick.
func (f *facility) run(end float64, stop func() bool) {
	for f.seconds < end && (stop == nil || !stop()) {
		f.seconds += tickSeconds
		for _, a := range f.air {
			a.step(tickSeconds)
		}
		for _, d := range f.devices {
			d.feel(f.air[d.room], tickSeconds)
			if d.next > f.seconds {
				continue
			}
			when := d.next
			rep, sent := d.read(when)
			if !sent {
				continue
			}
			f.w.take(d.id, d.believed, at(when), rep)
			if d.r.Float64() < 0.002 {
				// Delivered at least once can be twice.
				f.w.take(d.id, d.believed, at(when), rep)
			}
		}
		if math.Mod(f.seconds, 60) == 0 {
			f.w.tick(at(f.seconds))
		}
	}
}

// horizon is how long a fault is watched, in seconds.
func horizon(f Fault) float64 {
	switch f {
	case DriftSlow, BatteryFade:
		return 50 * daySeconds
	}
	return 7 * daySeconds
}

// names reports whether a complaint names the fault.
func (f Fault) names(c quality.Check) bool {
	switch f {
	case Spike:
		return c == quality.CheckSpike || c == quality.CheckRateOfChange
	case Stuck:
		return c == quality.CheckFlatLine
	case DriftSlow:
		return c == quality.CheckDrift
	case NoiseFive, NoiseSlow:
		return c == quality.CheckNoise
	case Dropout:
		return c == quality.CheckSilent
	case Exchanged:
		return c == quality.CheckSwap
	case Condensation:
		return c == quality.CheckCondensing
	case BatteryFade:
		return c == quality.CheckBatteryFading || c == quality.CheckBatteryLow
	case Fahrenheit:
		return c == quality.CheckUnitFahr
	case RatioForRH:
		return c == quality.CheckUnitRatio
	}
	return false
}

// Measure injects every fault into simulated rooms and counts what the
// tests make of it. The same seed gives the same table.
func Measure(seed uint64, o Options) Table {
	o = o.withDefaults()
	t := Table{Seed: seed, Rows: make([]Row, len(All()))}
	// Each row draws from its own generators, so that they may run side by
	// side and the table still only depends on the seed.
	var wg sync.WaitGroup
	wg.Go(func() { t.Clean = clean(seed, o.CleanDays) })
	for i, f := range All() {
		wg.Go(func() { t.Rows[i] = trials(seed, uint64(1000*(i+1)), f, o.Trials) })
	}
	wg.Wait()
	return t
}

// trials repeats the trial of one fault.
func trials(seed, stream uint64, f Fault, count int) Row {
	row := Row{Fault: f, Trials: count, First: make(map[quality.Check]int)}
	var delays, named []float64
	for n := range count {
		out := trial(rand.New(rand.NewPCG(seed, stream+uint64(n))), f)
		row.Blamed += out.blamed
		if out.first >= 0 {
			row.Found++
			row.First[out.check]++
			delays = append(delays, out.first)
		}
		if out.named >= 0 {
			row.Named++
			named = append(named, out.named)
		}
	}
	row.DelayMedianSeconds, row.DelayWorstSeconds = middle(delays)
	row.NamedMedianSeconds, _ = middle(named)
	return row
}

// middle returns the upper median and the largest, zero for none.
func middle(x []float64) (mid, largest float64) {
	if len(x) == 0 {
		return 0, 0
	}
	slices.Sort(x)
	return x[len(x)/2], x[len(x)-1]
}

// outcome of one trial; delays are -1 when it did not happen.
type outcome struct {
	first, named float64
	check        quality.Check
	blamed       int
}

// trial lets the tests learn two rooms, injects the fault and watches.
func trial(r *rand.Rand, fault Fault) outcome {
	out := outcome{first: -1, named: -1}
	begin := math.Inf(1)
	guilty := map[sensors.SensorID]bool{}
	blamed := map[sensors.SensorID]bool{}
	ks := kinds()
	r.Shuffle(len(ks), func(i, j int) { ks[i], ks[j] = ks[j], ks[i] })
	rooms := 1
	if fault == Exchanged {
		rooms = 2
	}
	f := newFacility(r, ks[:rooms], func(id sensors.SensorID, c quality.Check, t time.Time) {
		delay := t.Sub(at(begin)).Seconds()
		if math.IsInf(begin, 1) || delay < 0 {
			return
		}
		if !guilty[id] {
			blamed[id] = true
			return
		}
		if out.first < 0 {
			out.first, out.check = delay, c
		}
		if out.named < 0 && fault.names(c) {
			out.named = delay
		}
	})
	d := f.devices[r.IntN(3)]
	switch fault {
	case NoiseFive:
		// Finer than its noise, or there is nothing to see.
		d.interval, d.stepC, d.stepRH = 60, min(d.stepC, 0.1), min(d.stepRH, 0.1)
	case NoiseSlow:
		// At five minutes noise begins to hide behind the room's cycles.
		d.interval, d.stepC, d.stepRH = 300, min(d.stepC, 0.1), min(d.stepRH, 0.1)
	}
	f.run(learnDays*daySeconds+daySeconds*r.Float64(), nil)
	inject(f, d, fault, r, guilty)
	begin = f.seconds
	f.run(f.seconds+horizon(fault), func() bool { return out.first >= 0 && out.named >= 0 })
	out.blamed = len(blamed)
	return out
}

// inject starts the fault in a device of the first room.
func inject(f *facility, d *device, fault Fault, r *rand.Rand, guilty map[sensors.SensorID]bool) {
	guilty[d.id] = true
	if fault == Exchanged {
		// Somebody hung each in the other's place: it feels what the other
		// felt, and the daemon does not know.
		e := f.devices[3+r.IntN(3)]
		guilty[e.id] = true
		d.room, e.room = e.room, d.room
		d.placeC, e.placeC = e.placeC, d.placeC
		d.placeRH, e.placeRH = e.placeRH, d.placeRH
		d.exposure, e.exposure = e.exposure, d.exposure
		return
	}
	d.fault, d.since = fault, f.seconds
	d.humid = r.IntN(2) == 0
	d.size = (6 + 6*r.Float64()) * math.Copysign(1, r.Float64()-0.5)
}

// clean counts complaints about four rooms without any fault.
func clean(seed uint64, days int) Clean {
	type key struct {
		id    sensors.SensorID
		check quality.Check
	}
	last := make(map[key]time.Time)
	c := Clean{ByCheck: make(map[quality.Check]int)}
	r := rand.New(rand.NewPCG(seed, 0))
	f := newFacility(r, kinds(), func(id sensors.SensorID, check quality.Check, t time.Time) {
		k := key{id, check}
		if before, ok := last[k]; !ok || t.Sub(before) > time.Hour {
			c.Episodes++
			c.ByCheck[check]++
		}
		last[k] = t
	})
	f.run(float64(days)*daySeconds, nil)
	c.SensorYears = float64(len(f.devices)) * float64(days) / 365.25
	c.PerSensorYear = float64(c.Episodes) / c.SensorYears
	return c
}
