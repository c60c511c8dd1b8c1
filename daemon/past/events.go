package past

import (
	"context"
	"iter"
	"time"

	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Event is one event of the past: a reading, or an entry of the journal.
type Event struct {
	Reading sensors.Reading
	// Entry is nil for a reading.
	Entry *records.JournalEntry
}

// Arrival is when it arrived.
func (r Event) Arrival() time.Time {
	if r.Entry != nil {
		return r.Entry.Arrival
	}
	return r.Reading.Arrival
}

// Span is a part of the past.
type Span struct {
	// From and To bound the arrival of events, ReadingsFrom that of readings
	// alone.
	From, To, ReadingsFrom time.Time
}

// Events merges readings and journal in the order in which they arrived. No
// two events of different kinds share an arrival.
func (s Span) Events(ctx context.Context, reader *records.Reader) iter.Seq2[Event, error] {
	return func(yield func(Event, error) bool) {
		nextEntry, stop := iter.Pull2(reader.Journal(ctx, s.From, s.To))
		defer stop()
		entry, err, more := nextEntry()
		entriesBefore := func(arrival time.Time) bool {
			for more && entry.Arrival.Before(arrival) {
				if !yield(Event{Entry: &entry}, err) || err != nil {
					return false
				}
				entry, err, more = nextEntry()
			}
			return true
		}
		for reading, failed := range reader.ScanArrival(ctx, desk.Later(s.From, s.ReadingsFrom), s.To) {
			if failed != nil {
				yield(Event{}, failed)
				return
			}
			if !entriesBefore(reading.Arrival) || !yield(Event{Reading: reading}, nil) {
				return
			}
		}
		entriesBefore(s.To)
	}
}
