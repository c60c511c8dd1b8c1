package desk

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// Outcome is what became of a message.
type Outcome string

// The outcomes of a message, as counted and shown.
const (
	Stored      Outcome = "stored"
	Duplicate   Outcome = "duplicate"
	Retained    Outcome = "retained"
	Empty       Outcome = "empty"
	Undecodable Outcome = "undecodable"
	Oversize    Outcome = "oversize"
	Unclaimed   Outcome = "unclaimed"
	Future      Outcome = "future"
	Ancient     Outcome = "ancient"
)

// Rejected is a message that could not be used, and why.
type Rejected struct {
	Time    time.Time
	Topic   string
	Outcome Outcome
	Reason  string
	// Excerpt is the start of the payload, escaped for display.
	Excerpt string
}

// rejectedKept bounds the ring of messages kept for inspection.
const rejectedKept = 100

// Intake is what was admitted and waits for its instant, and how messages were
// counted.
type Intake struct {
	waiting []arrived
	// order is waiting in the order of handling, taken how far it has been
	// taken.
	order []*arrived
	taken int
	// held are late readings of which it could not be told whether they are
	// stored already.
	held  []arrived
	fates []fate
	// outcomes counts messages, rejected are the latest that were of no use.
	// Miscounted is set while the stored counts are not these.
	outcomes   map[Outcome]uint64
	miscounted bool
	rejected   []Rejected
}

// arrived is an admitted reading on its way to its instant.
type arrived struct {
	sensors.Reading
	series *series
	sensor *Sensor
	// late is set when a newer reading of the series is already known.
	late bool
	// known is set for a reading of the past, whose place in the records is
	// settled.
	known bool
	// message is the place of its message among the fates; counted when that
	// was settled in an earlier round.
	message int
}

// fate is what became of one message: how many of its readings were admitted,
// and how many of those are stored already.
type fate struct {
	outcome              Outcome
	readings, duplicates int
	// listed is set once the message is kept for people to look at.
	listed bool
}

// counted stands for the message of a reading that was held back.
const counted = -1

// Admit decodes one message; its readings wait for their instant. Their
// arrival is after clock and never before that of a message admitted earlier,
// so that the order of handling is the order of arrival, also when replayed
// from the records.
func (d *Desk) Admit(m sensors.Message, clock time.Time) {
	arrival := m.Received.Truncate(time.Millisecond)
	if !arrival.After(clock) {
		arrival = clock.Add(time.Millisecond)
	}
	if n := len(d.Intake.waiting); n > 0 && arrival.Before(d.Intake.waiting[n-1].Arrival) {
		arrival = d.Intake.waiting[n-1].Arrival
	}
	inputs := d.routes.of(m.Topic)
	if watchers := d.routes.watchers[m.Topic]; len(watchers) > 0 {
		d.Presences.hear(watchers, m, arrival, &d.Intake)
		if len(inputs) == 0 {
			return
		}
	}
	if len(inputs) == 0 {
		d.Intake.count(Unclaimed, 1)
		d.unclaimed.Note(m, arrival, d.routes.claimed)
		return
	}
	if d.deliveries.repeated(&m, d.lost) {
		d.Intake.count(Duplicate, 1)
		return
	}
	undated, before := false, len(d.Intake.waiting)
	for _, in := range inputs {
		d.Intake.fates = append(d.Intake.fates, fate{})
		outcome := d.admitInput(in, m, arrival)
		d.Intake.fates[len(d.Intake.fates)-1].outcome = outcome
		// Under a doubted clock the same message can be placed at another time
		// when it comes again.
		undated = undated || !in.dated || d.OwnClocks.doubted
	}
	// Also one without a value of ours, as a birth, counts in the session of its
	// decoder. A late reading may still be held back, and then its message must
	// come again after a kill.
	if undated {
		late := slices.ContainsFunc(d.Intake.waiting[before:], func(p arrived) bool { return p.late })
		d.deliveries.note(&m, d.lost, !late)
	}
}

// Readmit is Admit for a reading of the past: it was admitted then. A reading
// of a sensor that is no longer configured is left out.
func (d *Desk) Readmit(r sensors.Reading) {
	s := d.byID[r.Sensor]
	if s == nil || s.series[r.Quantity] == nil {
		return
	}
	in := &d.Intake
	// Its message was counted then.
	in.fates = append(in.fates, fate{})
	in.wait(arrived{Reading: r, series: s.series[r.Quantity], sensor: s, known: true})
}

// wait puts a reading among those that wait, as one of the newest message's.
func (in *Intake) wait(p arrived) {
	p.late = !p.Time.After(p.series.newestAdmitted())
	p.message = len(in.fates) - 1
	in.waiting = append(in.waiting, p)
	if !p.late {
		p.series.admitted = p.Time
	}
}

// admitInput decodes a message for one sensor and returns its outcome.
func (d *Desk) admitInput(in *input, m sensors.Message, arrival time.Time) Outcome {
	measured, err := in.decoder.Decode(m.Topic, m.Payload, m.Received)
	in.touched = true
	d.listen(in, m, arrival)
	var outcome Outcome
	if err != nil {
		outcome = d.Intake.noteUndecodable(m, arrival, err)
	}
	for _, value := range measured {
		got := d.admitValue(in.sensor, value, m, arrival)
		if outcome == "" || got == Stored {
			outcome = got
		}
	}
	if outcome == "" {
		// Nothing for us and nothing wrong, such as a birth message.
		outcome = Stored
	}
	return outcome
}

func (d *Desk) admitValue(s *Sensor, v payload.Measurement, m sensors.Message, arrival time.Time) Outcome {
	one := s.series[v.Quantity]
	r := sensors.Reading{Series: one.key, Time: v.Time.Truncate(time.Millisecond), Arrival: arrival, Raw: v.Value}
	own := !v.Time.IsZero()
	if own && !v.FromReceipt && !m.Queued {
		s.clock.sight.see(r.Time, arrival)
	}
	if own && d.OwnClocks.doubted {
		r.Time = s.placed(r.Time, arrival, m.Queued, d.rules.AgeLimit)
	}
	switch {
	case m.Retained && (r.Time.IsZero() || v.FromReceipt) && !d.holds(s, one, r.Raw):
		// A retained value without a time of its own is of unknown age.
		return Retained
	case r.Time.IsZero():
		r.Time = arrival
		if newest := one.newestAdmitted(); !r.Time.After(newest) {
			// Two values in one millisecond of a draining queue are still
			// two values.
			r.Time = newest.Add(time.Millisecond)
		}
		r.Flag = s.ageOf(m)
	case d.OwnClocks.doubted:
	case r.Time.After(arrival.Add(d.rules.FutureTolerance)):
		d.OwnClocks.noteRefused(s, r.Time.Sub(arrival), arrival)
		d.Intake.reject(m, arrival, Future, fmt.Sprintf("%s says %s, which is %s ahead of this clock; set the sensor's clock, or ingest.future_tolerance",
			one.key.Sensor, stamp(r.Time), r.Time.Sub(arrival).Round(time.Second)))
		return Future
	case r.Time.Before(arrival.Add(-d.rules.AgeLimit)):
		d.OwnClocks.noteRefused(s, r.Time.Sub(arrival), arrival)
		d.Intake.reject(m, arrival, Ancient, fmt.Sprintf("%s says %s, which is older than ingest.age_limit (%s); set the sensor's clock",
			one.key.Sensor, stamp(r.Time), d.rules.AgeLimit))
		return Ancient
	}
	if own {
		d.OwnClocks.noteTaken(s, arrival)
	}
	if v.FromReceipt {
		r.Flag = s.ageOf(m)
	}
	d.Intake.fates[len(d.Intake.fates)-1].readings++
	d.Intake.wait(arrived{Reading: r, series: one, sensor: s})
	return Stored
}

// holds reports whether a value that the broker retains is news of the present:
// what a sensor that reports on change said last holds while it is there, and
// holds again once it is back; that it said so can have been missed.
func (d *Desk) holds(s *Sensor, one *series, raw float64) bool {
	if !s.config.OnChange {
		return false
	}
	here := s.health.Gone.IsZero()
	for _, w := range d.Presences.words {
		if w.sensor == s {
			here = w.here
		}
	}
	if !here {
		return false
	}
	for _, p := range slices.Backward(d.Intake.waiting) {
		if p.series == one {
			return p.Raw != raw
		}
	}
	return one.newest.Time.IsZero() || one.newest.Raw != raw || one.newest.Flag == sensors.Missing
}

// ageOf is the flag of a reading that has no time but that of its receipt. What
// lay at the broker while nobody took it may be of any age: it is kept, and
// counts for nothing. The last word of a sensor that reports on change holds
// all the same.
func (s *Sensor) ageOf(m sensors.Message) sensors.Flag {
	if m.Queued && !s.config.OnChange {
		return sensors.AgeUnknown
	}
	return 0
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func (in *Intake) noteUndecodable(m sensors.Message, arrival time.Time, err error) Outcome {
	var detail *payload.Error
	if errors.As(err, &detail) && detail.Kind == payload.Empty {
		return Empty
	}
	in.reject(m, arrival, Undecodable, err.Error())
	return Undecodable
}

// reject keeps a message that could not be used for people to look at, once
// however many of its values are refused for the same reason.
func (in *Intake) reject(m sensors.Message, arrival time.Time, outcome Outcome, reason string) {
	if n := len(in.fates); n > 0 && outcome != Undecodable {
		if in.fates[n-1].listed {
			return
		}
		in.fates[n-1].listed = true
	}
	in.keep(Rejected{Time: arrival, Topic: m.Topic, Outcome: outcome, Reason: reason, Excerpt: sensors.Excerpt(m.Payload)})
}

func (in *Intake) keep(m Rejected) {
	if len(in.rejected) >= rejectedKept {
		in.rejected = slices.Delete(in.rejected, 0, 1)
	}
	in.rejected = append(in.rejected, m)
}

// Refused are messages that were refused before they came here, for their
// size.
type Refused struct {
	// Count is how many there were, Newest are those at hand, oldest first.
	Count  uint64
	Newest []Rejected
}

// NoteRefused counts messages that were refused before they came here.
func (in *Intake) NoteRefused(r Refused) {
	in.count(Oversize, r.Count)
	for _, m := range r.Newest {
		in.keep(m)
	}
}

func (in *Intake) count(outcome Outcome, n uint64) {
	in.outcomes[outcome] += n
	in.miscounted = true
}
