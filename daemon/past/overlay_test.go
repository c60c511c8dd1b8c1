package past

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/daemon/foldtest"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// told is a reading as the fold reads it back.
type told struct {
	Sensor string
	At     time.Time
	Raw    float64
	Flag   sensors.Flag
}

// scanned reads temperatures back; sensors are named without the prefix.
func scanned(t *rapid.T, p Recorded, prefix string, names []string, from, to time.Time, most int) []told {
	ids := make([]sensors.SensorID, len(names))
	for i, name := range names {
		ids[i] = sensors.SensorID(prefix + name)
	}
	var out []told
	err := p.Temperatures(context.Background(), ids, from, to, func(r sensors.Reading) bool {
		out = append(out, told{string(r.Sensor[len(prefix):]), r.Time, r.Raw, r.Flag})
		return len(out) < most
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// split is a history of which a part is in the records and a part on its way.
type split struct {
	// whole are batches in order; the first in of them are in the records, and
	// those from out on are on their way: between them they are both.
	whole   []*records.Batch
	in, out int
}

// drawSplit invents batches of readings of three sensors within an hour, with
// corrections of flags, and two places at which to cut.
func drawSplit(t *rapid.T, prefix string) split {
	var s split
	var known []sensors.Reading
	arrival := foldtest.Start().Add(2 * time.Hour)
	for range rapid.IntRange(1, 6).Draw(t, "batches") {
		b := &records.Batch{}
		for range rapid.IntRange(0, 8).Draw(t, "readings") {
			arrival = arrival.Add(time.Second)
			r := sensors.Reading{
				Series: sensors.Series{
					Sensor:   sensors.SensorID(prefix + rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "sensor")),
					Quantity: rapid.SampledFrom([]sensors.Quantity{sensors.Temperature, sensors.Temperature, sensors.RelativeHumidity}).Draw(t, "quantity"),
				},
				Time:    foldtest.Start().Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "minute")) * time.Minute),
				Arrival: arrival, Raw: float64(arrival.Unix() % 1000), Flag: sensors.Pass,
			}
			r.Value = r.Raw
			if !slices.ContainsFunc(known, func(o sensors.Reading) bool { return o.Series == r.Series && o.Time.Equal(r.Time) }) {
				known = append(known, r)
				b.Readings = append(b.Readings, r)
			}
		}
		if len(known) > 0 {
			for range rapid.IntRange(0, 2).Draw(t, "reflags") {
				r := rapid.SampledFrom(known).Draw(t, "reflagged")
				b.Reflags = append(b.Reflags, records.Reflag{Series: r.Series, Time: r.Time, Flag: rapid.SampledFrom([]sensors.Flag{sensors.Suspect, sensors.Fail}).Draw(t, "flag")})
			}
		}
		s.whole = append(s.whole, b)
	}
	s.in = rapid.IntRange(0, len(s.whole)).Draw(t, "in the records")
	s.out = rapid.IntRange(0, s.in).Draw(t, "on their way from")
	return s
}

// What is on its way, laid over what the records have, reads like records that
// have it all, wherever the cut between them is, and also where a batch is on
// both sides because it was written a moment ago.
func TestOverlayReadsLikeTheRecords(t *testing.T) {
	store, err := records.Open(t.Context(), filepath.Join(t.TempDir(), "test.db"), records.Options{Synchronous: records.Normal})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	commit := func(t *rapid.T, list []*records.Batch) {
		if len(list) == 0 {
			return
		}
		if err := store.Commit(context.Background(), list...); err != nil {
			t.Fatal(err)
		}
	}
	turn := 0
	rapid.Check(t, func(t *rapid.T) {
		turn++
		// Names of sensors are new each turn, so that one store will do.
		cut, whole := fmt.Sprintf("%d-cut-", turn), fmt.Sprintf("%d-all-", turn)
		s := drawSplit(t, cut)
		commit(t, s.whole[:s.in])
		overlaid := Recorded{Reader: store.Reader, Unwritten: func() []*records.Batch { return s.whole[s.out:] }}
		commit(t, renamed(s.whole, cut, whole))
		all := Recorded{Reader: store.Reader}

		names := rapid.SliceOfDistinct(rapid.SampledFrom([]string{"a", "b", "c"}), rapid.ID[string]).Draw(t, "asked for")
		from := foldtest.Start().Add(time.Duration(rapid.IntRange(-5, 60).Draw(t, "from")) * time.Minute)
		to := from.Add(time.Duration(rapid.IntRange(0, 70).Draw(t, "minutes")) * time.Minute)
		most := rapid.SampledFrom([]int{1, 3, 1000}).Draw(t, "most")
		want, got := scanned(t, all, whole, names, from, to, most), scanned(t, overlaid, cut, names, from, to, most)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("of %d batches %d are in the records and those from %d on their way (-all in the records +overlaid):\n%s", len(s.whole), s.in, s.out, d)
		}
		for _, b := range s.whole {
			for _, r := range b.Readings {
				if has, err := overlaid.Has(context.Background(), r.Series, r.Time); err != nil || !has {
					t.Fatalf("%v at %v is not known: %v", r.Series, r.Time, err)
				}
			}
		}
		if has, err := overlaid.Has(context.Background(), sensors.Series{Sensor: sensors.SensorID(cut + "a"), Quantity: sensors.Temperature}, foldtest.Start().Add(90*time.Second)); err != nil || has {
			t.Fatalf("a reading is known that there never was: %v", err)
		}
	})
}

// renamed are the same batches of sensors with another prefix.
func renamed(list []*records.Batch, from, to string) []*records.Batch {
	name := func(s sensors.Series) sensors.Series {
		s.Sensor = sensors.SensorID(to) + s.Sensor[len(from):]
		return s
	}
	out := make([]*records.Batch, len(list))
	for i, b := range list {
		out[i] = &records.Batch{Readings: slices.Clone(b.Readings), Reflags: slices.Clone(b.Reflags)}
		for j := range out[i].Readings {
			out[i].Readings[j].Series = name(out[i].Readings[j].Series)
		}
		for j := range out[i].Reflags {
			out[i].Reflags[j].Series = name(out[i].Reflags[j].Series)
		}
	}
	return out
}
