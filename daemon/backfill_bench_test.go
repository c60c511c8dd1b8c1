package daemon

import (
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// A house whose gateways have kept everything for two months.
const (
	backfillRooms, backfillEach = 8, 3
	backfillDays                = 60
	backfillEvery               = 5 * time.Minute
	// backfillPerSecond is how many come in a second of the clock.
	backfillPerSecond = 30_000
)

func backfillFacility() string {
	var b strings.Builder
	b.WriteString("facility: {name: Backfill, timezone: UTC}\nbroker: {address: \"tcp://127.0.0.1:1883\", client_id: backfill}\ningest: {age_limit: 2400h}\nrooms:\n")
	for room := range backfillRooms {
		fmt.Fprintf(&b, "  - {id: room-%d}\n", room)
	}
	b.WriteString("sensors:\n")
	for s := range backfillRooms * backfillEach {
		fmt.Fprintf(&b, "  - {id: s-%d, room: room-%d, interval: 5m, inputs: [{topic: t/%d, format: json, time: {at: /ts, unit: s}, values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: \"%%\"}]}]}\n", s, s/backfillEach, s)
	}
	return b.String()
}

// BenchmarkBackfill hands two months of readings over at once while cohorts of
// all ages stand in the rooms, and writes them: each day of all sensors before
// the next, and each sensor before the next, so that all but the first of a room
// change what is known of it.
func BenchmarkBackfill(b *testing.B) {
	for name, list := range map[string][]sensors.Message{"days": backlogOf(testStart, false), "sensors": backlogOf(testStart, true)} {
		b.Run(name, func(b *testing.B) {
			took := time.Duration(0)
			for range b.N {
				took += backfill(b, list)
			}
			b.ReportMetric(float64(b.N*len(list))/took.Seconds(), "messages/s")
		})
	}
}

func backfill(b *testing.B, list []sensors.Message) (took time.Duration) {
	b.Helper()
	store, err := records.Open(b.Context(), filepath.Join(b.TempDir(), "backfill.db"), records.Options{Synchronous: records.Normal})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = store.Close() }()
	var clock timekeeping.Keeper
	now := testStart
	engine, err := New(b.Context(), Options{
		Options: fold.Options{Facility: foldtest.Parse(b, backfillFacility()), Catalog: speciestest.Library(b), Logger: slog.New(slog.DiscardHandler)},
		Store:   store, Clock: &clock, Now: timekeeping.Right(now),
	})
	if err != nil {
		b.Fatal(err)
	}
	steps := engine.Steps()
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	write := func() {
		_, err := steps.Write(b.Context(), store.Commit)
		must(err)
	}
	for c := range 2 * backfillRooms {
		start := now.AddDate(0, 0, -2*c)
		_, err := steps.Do(b.Context(), fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
			ID: population.CohortID(fmt.Sprintf("monarch-%d", c)), Species: "danaus-plexippus", Start: start, StartStage: "egg", Individuals: 100,
			Placements: []population.Placement{{Room: sensors.RoomID(fmt.Sprintf("room-%d", c%backfillRooms)), From: start}},
		}})
		must(err)
	}
	write()
	b.ResetTimer()
	defer b.StopTimer()
	began := time.Now()
	for first := 0; first < len(list); first += batchLimit {
		batch := list[first:min(first+batchLimit, len(list))]
		for i := range batch {
			batch[i].Received = now
		}
		taken, err := steps.Messages(b.Context(), batch...)
		must(err)
		if !taken {
			b.Fatal("no more is taken")
		}
		now = now.Add(batchLimit * time.Second / backfillPerSecond)
		if first/backfillPerSecond != (first-batchLimit)/backfillPerSecond {
			must(steps.Tick(b.Context(), timekeeping.Right(now)))
		}
		write()
	}
	// Once it has dried up, all of it is gone through for rooms and cohorts.
	for range 2 {
		now = now.Add(time.Minute)
		must(steps.Tick(b.Context(), timekeeping.Right(now)))
		write()
	}
	took = time.Since(began)
	for _, c := range engine.Snapshot().Cohorts {
		if age := now.Sub(c.Start).Hours() / 24; c.CatchingUp || c.ThermalTime < 10*(age-1) {
			b.Fatalf("%s has gathered %.1f degree-days in %.0f days, catching up: %v", c.ID, c.ThermalTime, age, c.CatchingUp)
		}
	}
	return took
}

// backlogOf are the messages that gateways have kept up to a time.
func backlogOf(now time.Time, bySensor bool) []sensors.Message {
	var list []sensors.Message
	first := now.AddDate(0, 0, -backfillDays)
	add := func(day, s int) {
		for n := range int(24 * time.Hour / backfillEvery) {
			at := first.AddDate(0, 0, day).Add(time.Duration(n)*backfillEvery + time.Duration(s)*time.Second)
			v := 25 + 3*math.Sin(float64(n)/288*2*math.Pi) + 0.1*float64(s%backfillEach) + 0.01*float64((n*7+s*3+day)%11)
			list = append(list, sensors.Message{
				Topic: fmt.Sprintf("t/%d", s), Payload: fmt.Appendf(nil, `{"ts":%d,"t":%.2f,"h":%d}`, at.Unix(), v, 65+n%7),
				Delivery: sensors.Delivery{Queued: true}, Ack: func() {},
			})
		}
	}
	const all = backfillRooms * backfillEach
	for i := range backfillDays * all {
		if bySensor {
			add(i%backfillDays, i/backfillDays)
		} else {
			add(i/all, i%all)
		}
	}
	return list
}
