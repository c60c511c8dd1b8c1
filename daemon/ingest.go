package daemon

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// The outcomes of a message, as counted and shown.
const (
	outcomeStored      = "stored"
	outcomeDuplicate   = "duplicate"
	outcomeRetained    = "retained"
	outcomeEmpty       = "empty"
	outcomeUndecodable = "undecodable"
	outcomeOversize    = "oversize"
	outcomeUnclaimed   = "unclaimed"
	outcomeFuture      = "future"
	outcomeAncient     = "ancient"
	outcomeOutOfRange  = "out_of_range"
)

// pendingReading is an admitted reading on its way to its instant.
type pendingReading struct {
	sensors.Reading
	state  *seriesState
	sensor *sensorState
	// late is set when a newer reading of the series is already known.
	late bool
	// known is set for a reading of the past, whose place in the records is
	// settled.
	known bool
	// message is the place of its message among the batch's fates.
	message int
}

// fate is what became of one message of a batch: how many of its readings
// were admitted, and how many of those are stored already.
type fate struct {
	outcome              string
	readings, duplicates int
	// listed is set once the message is kept for people to look at.
	listed bool
}

// rejectedKept bounds the ring of messages kept for inspection, excerptKept
// the bytes kept of each payload.
const (
	rejectedKept = 100
	excerptKept  = 120
)

// admit decodes one message and adds its readings to the pending ones. The
// message's arrival is never before the clock, so that the order of handling
// is the order of arrival, also when replayed from the records.
func (c *core) admit(m sensors.Message) {
	arrival := m.Received.Truncate(time.Millisecond)
	if !arrival.After(c.clock) {
		arrival = c.clock.Add(time.Millisecond)
	}
	if n := len(c.pending); n > 0 && arrival.Before(c.pending[n-1].Arrival) {
		arrival = c.pending[n-1].Arrival
	}
	inputs := c.route(m.Topic)
	if len(c.watchers) > 0 {
		if watchers := c.watchers[m.Topic]; len(watchers) > 0 {
			c.notePresence(watchers, m, arrival)
			if len(inputs) == 0 {
				return
			}
		}
	}
	if len(inputs) == 0 {
		c.noteUnclaimed(m, arrival)
		return
	}
	for _, in := range inputs {
		c.fates = append(c.fates, fate{})
		outcome := c.admitInput(in, m, arrival)
		c.fates[len(c.fates)-1].outcome = outcome
	}
}

// admitInput decodes a message for one sensor and returns its outcome.
func (c *core) admitInput(in *input, m sensors.Message, arrival time.Time) string {
	measured, err := in.decoder.Decode(m.Topic, m.Payload, m.Received)
	c.listen(in, m, arrival)
	outcome := ""
	if err != nil {
		outcome = c.noteUndecodable(m, arrival, err)
	}
	for _, value := range measured {
		got := c.admitValue(in.sensor, value, m, arrival)
		if outcome == "" || got == outcomeStored {
			outcome = got
		}
	}
	if outcome == "" {
		// Nothing for us and nothing wrong, such as a birth message.
		outcome = outcomeStored
	}
	return outcome
}

func (c *core) admitValue(s *sensorState, v payload.Measurement, m sensors.Message, arrival time.Time) string {
	state := s.series[v.Quantity]
	r := sensors.Reading{Series: state.key, Time: v.Time.Truncate(time.Millisecond), Arrival: arrival, Raw: v.Value}
	own := !v.Time.IsZero()
	switch {
	case m.Retained && (!own || v.FromReceipt):
		// A retained value without a time of its own is of unknown age.
		return outcomeRetained
	case !own:
		r.Time = arrival
		if newest := c.newestAdmitted(state); !r.Time.After(newest) {
			// Two values in one millisecond of a draining queue are still
			// two values.
			r.Time = newest.Add(time.Millisecond)
		}
	case r.Time.After(arrival.Add(c.facility.Ingest.FutureTolerance)):
		c.reject(m, arrival, outcomeFuture, fmt.Sprintf("%s says %s, which is %s ahead of this clock; set the sensor's clock, or ingest.future_tolerance",
			state.key.Sensor, stamp(r.Time), r.Time.Sub(arrival).Round(time.Second)))
		return outcomeFuture
	case r.Time.Before(arrival.Add(-c.facility.Ingest.AgeLimit)):
		c.reject(m, arrival, outcomeAncient, fmt.Sprintf("%s says %s, which is older than ingest.age_limit (%s); set the sensor's clock",
			state.key.Sensor, stamp(r.Time), c.facility.Ingest.AgeLimit))
		return outcomeAncient
	}
	p := pendingReading{Reading: r, state: state, sensor: s, late: !r.Time.After(c.newestAdmitted(state)), message: len(c.fates) - 1}
	c.pending = append(c.pending, p)
	c.fates[p.message].readings++
	if !p.late {
		state.admitted = r.Time
	}
	return outcomeStored
}

// newestAdmitted is the newest event time of a series, handled or pending.
func (c *core) newestAdmitted(s *seriesState) time.Time {
	if s.admitted.After(s.newest.Time) {
		return s.admitted
	}
	return s.newest.Time
}

// dropDuplicates removes late pending readings that are already stored, or
// that are pending twice. It must see everything committed.
func (c *core) dropDuplicates() error {
	type key struct {
		series sensors.Series
		at     int64
	}
	seen := make(map[key]bool, len(c.pending))
	for _, p := range c.pending {
		if !p.late {
			seen[key{p.Series, p.Time.UnixMilli()}] = true
		}
	}
	var failed error
	c.pending = slices.DeleteFunc(c.pending, func(p pendingReading) bool {
		if !p.late || p.known {
			return false
		}
		k := key{p.Series, p.Time.UnixMilli()}
		stored := seen[k]
		if !stored {
			var err error
			if stored, err = c.history.Has(p.Series, p.Time); err != nil {
				failed = errors.Join(failed, err)
			}
		}
		if stored {
			c.fates[p.message].duplicates++
		}
		seen[k] = true
		return stored
	})
	return failed
}

// countFates adds the batch's messages to the totals.
func (c *core) countFates() {
	for _, f := range c.fates {
		if f.readings > 0 && f.readings == f.duplicates {
			f.outcome = outcomeDuplicate
		}
		c.outcomes[f.outcome]++
	}
	c.fates = c.fates[:0]
}

func (c *core) anyLate() bool {
	return slices.ContainsFunc(c.pending, func(p pendingReading) bool { return p.late && !p.known })
}

func (c *core) noteUndecodable(m sensors.Message, arrival time.Time, err error) string {
	var detail *payload.Error
	if errors.As(err, &detail) && detail.Kind == payload.Empty {
		return outcomeEmpty
	}
	c.reject(m, arrival, outcomeUndecodable, err.Error())
	return outcomeUndecodable
}

// reject keeps a message that could not be used for people to look at, once
// however many of its values are refused for the same reason.
func (c *core) reject(m sensors.Message, arrival time.Time, outcome, reason string) {
	if n := len(c.fates); n > 0 && outcome != outcomeUndecodable {
		if c.fates[n-1].listed {
			return
		}
		c.fates[n-1].listed = true
	}
	c.keepRejected(RejectedMessage{
		Time: arrival, Topic: m.Topic, Outcome: outcome, Reason: reason,
		Excerpt: Excerpt(m.Payload),
	})
}

// Excerpt is the start of a payload, escaped for display.
func Excerpt(payload []byte) string {
	return strconv.QuoteToASCII(string(payload[:min(len(payload), excerptKept)]))
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// noteOversize counts a message that the link refused for its size.
func (c *core) noteOversize(m RejectedMessage) {
	c.outcomes[outcomeOversize]++
	c.keepRejected(m)
}

func (c *core) keepRejected(m RejectedMessage) {
	if len(c.rejected) >= rejectedKept {
		c.rejected = slices.Delete(c.rejected, 0, 1)
	}
	c.rejected = append(c.rejected, m)
}
