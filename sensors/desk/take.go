package desk

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// Taken is a reading with its final value and flag, and what it revealed about
// the one before it.
type Taken struct {
	sensors.Reading
	// Amended is set when the reading shows that an earlier one of its series
	// was a single spike.
	Amended *Amendment
}

// Amendment is a flag that turned out to be too good.
type Amendment struct {
	Series sensors.Series
	Time   time.Time
	// Was is the flag the reading had, Flag the one it deserves.
	Was, Flag sensors.Flag
}

// Waiting is how many readings wait for their instant, and the arrival of the
// last one admitted.
func (in *Intake) Waiting() (readings int, last time.Time) {
	n := len(in.waiting)
	if n == 0 {
		return 0, time.Time{}
	}
	return n, in.waiting[n-1].Arrival
}

// Order puts what waits into the order in which it is handled: that of
// arrival, and within a millisecond that of series, so that a replay, which
// knows nothing finer, does exactly the same. Late readings that are stored
// already are dropped. While stored fails those of which it cannot tell are
// held back until the next round, in which they arrive anew, after clock; the
// error says why, and everything else goes on.
func (d *Desk) Order(clock time.Time, stored func(sensors.Series, time.Time) (bool, error)) error {
	in := &d.Intake
	for i := range in.waiting {
		if p := &in.waiting[i]; p.message == counted {
			p.Arrival = clock.Add(time.Millisecond)
		}
	}
	var err error
	if slices.ContainsFunc(in.waiting, func(p arrived) bool { return p.late && !p.known }) {
		err = in.dropDuplicates(stored)
	}
	if clock.Before(d.taken) && err == nil {
		err = in.makeWay(d.taken, stored)
	}
	in.order, in.taken = in.order[:0], 0
	for i := range in.waiting {
		in.order = append(in.order, &in.waiting[i])
	}
	slices.SortStableFunc(in.order, byArrival)
	return err
}

// Held is how many readings are held back.
func (in *Intake) Held() int {
	n := 0
	for i := range in.waiting {
		if in.waiting[i].message == counted {
			n++
		}
	}
	return n
}

// byArrival is the order in which readings are handled, and in which the
// records give them back.
func byArrival(a, b *arrived) int {
	if d := a.Arrival.Compare(b.Arrival); d != 0 {
		return d
	}
	if d := strings.Compare(string(a.Sensor), string(b.Sensor)); d != 0 {
		return d
	}
	return cmp.Or(cmp.Compare(a.Quantity, b.Quantity), a.Time.Compare(b.Time))
}

// dropDuplicates removes late readings that are already stored, or that wait
// twice, and sets aside those of which that cannot be told.
func (in *Intake) dropDuplicates(stored func(sensors.Series, time.Time) (bool, error)) error {
	type key struct {
		series sensors.Series
		at     int64
	}
	seen := make(map[key]bool, len(in.waiting))
	for _, p := range in.waiting {
		if !p.late {
			seen[key{p.Series, p.Time.UnixMilli()}] = true
		}
	}
	var failed error
	in.waiting = slices.DeleteFunc(in.waiting, func(p arrived) bool {
		if !p.late || p.known {
			return false
		}
		k := key{p.Series, p.Time.UnixMilli()}
		double := seen[k]
		if !double && failed == nil {
			double, failed = stored(p.Series, p.Time)
		}
		if !double && failed != nil {
			in.held = append(in.held, p)
			return true
		}
		if double && p.message != counted {
			in.fates[p.message].duplicates++
		}
		seen[k] = true
		return double
	})
	return failed
}

// makeWay finds another time, a little later, for readings whose own is taken by
// one from when the clock was ahead: two readings of a series cannot have the
// same.
func (in *Intake) makeWay(until time.Time, stored func(sensors.Series, time.Time) (bool, error)) error {
	// What follows a reading that made way makes way for it in turn.
	newest := make(map[*series]time.Time)
	for i := range in.waiting {
		p := &in.waiting[i]
		if p.late || p.known || p.Time.After(until) {
			continue
		}
		if before := newest[p.series]; !p.Time.After(before) {
			p.Time = before.Add(time.Millisecond)
		}
		for {
			double, err := stored(p.Series, p.Time)
			if err != nil {
				return err
			}
			if !double {
				break
			}
			p.Time = p.Time.Add(time.Millisecond)
		}
		newest[p.series], p.series.admitted = p.Time, Later(p.series.admitted, p.Time)
	}
	return nil
}

// Next is the arrival of the readings to take next, and false when all are
// taken.
func (in *Intake) Next() (time.Time, bool) {
	if in.taken >= len(in.order) {
		return time.Time{}, false
	}
	return in.order[in.taken].Arrival, true
}

// Take passes the readings of the next instant to each, flagged and
// calibrated.
func (d *Desk) Take(each func(Taken)) {
	in := &d.Intake
	if in.taken >= len(in.order) {
		return
	}
	arrival := in.order[in.taken].Arrival
	for ; in.taken < len(in.order) && in.order[in.taken].Arrival.Equal(arrival); in.taken++ {
		each(d.take(in.order[in.taken]))
	}
}

// Finish ends a round of Order and Take: messages are counted by what became
// of them. Readings held back wait again.
func (d *Desk) Finish() {
	in := &d.Intake
	for _, f := range in.fates {
		if f.readings > 0 && f.readings == f.duplicates {
			f.outcome = Duplicate
		}
		if f.outcome != "" {
			in.count(f.outcome, 1)
		}
	}
	in.fates, in.order, in.waiting = in.fates[:0], in.order[:0], in.waiting[:0]
	for _, p := range in.held {
		p.message = counted
		in.waiting = append(in.waiting, p)
	}
	in.held = in.held[:0]
}

// take flags one reading and keeps it as the newest of its series.
func (d *Desk) take(p *arrived) Taken {
	r := &p.Reading
	r.Value = d.calibrations.Apply(r.Series, r.Time, r.Raw)
	out := Taken{}
	if r.Flag == sensors.AgeUnknown {
		p.sensor.undated.note(r.Arrival)
		out.Reading = *r
		return out
	}
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		// Records of older versions hold numbers that no decoder lets through
		// now. Nothing is reckoned with them, nor could a state hold them.
		r.Value, r.Flag = math.NaN(), sensors.Fail
		out.Reading = *r
		return out
	}
	r.Flag, out.Amended = p.judge()
	p.sensor.observe(p)
	p.sensor.heard, p.sensor.undated = r.Arrival, undated{}
	p.sensor.told = Later(p.sensor.told, r.Time)
	if r.Time.After(p.series.newest.Time) {
		p.series.newest = *r
		if r.Flag.Usable() {
			p.series.usable = *r
		}
	}
	out.Reading = *r
	return out
}

// judge flags a reading by the tests of its own series and by its neighbours.
func (p *arrived) judge() (sensors.Flag, *Amendment) {
	r, one := &p.Reading, p.series
	if b := p.sensor.bench; b != nil {
		one.keepFindings([]quality.Finding{{Check: checkBench, Flag: sensors.Fail, Since: b.Since}}, nil, sensors.Fail, r.Time)
		if r.Quantity == b.Quantity && !p.late {
			b.Observe(r.Time, r.Raw)
		}
		return sensors.Fail, nil
	}
	flag, own := one.assess.Assess(r.Time, r.Value)
	var amended *Amendment
	if a, ok := one.assess.Amendment(); ok {
		amended = one.amend(a)
	}
	var others []quality.Finding
	if one.neighbours != nil {
		var verdict sensors.Flag
		verdict, others = one.neighbours.Observe(r.Sensor, r.Time, r.Value, flag)
		flag = quality.Combine(flag, verdict)
	}
	if !p.late {
		one.keepFindings(own, others, flag, r.Time)
	}
	return flag, amended
}

// amend takes note that the reading before was a single spike, nil if it was
// flagged as badly already.
func (s *series) amend(a quality.Amendment) *Amendment {
	was := a.Was
	if s.newest.Time.Equal(a.Time) {
		was = s.newest.Flag
	}
	if a.Flag <= was {
		return nil
	}
	s.amended = &a
	return &Amendment{Series: s.key, Time: a.Time, Was: was, Flag: a.Flag}
}
