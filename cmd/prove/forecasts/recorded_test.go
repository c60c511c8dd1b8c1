package forecasts

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// facilityOf is a room with one sensor in the configuration and one that is to
// be claimed.
func facilityOf(t *testing.T, sensors string) *facility.Facility {
	t.Helper()
	f, err := facility.Parse("recorded.yaml", fmt.Appendf(nil, `
facility: {name: Recorded, timezone: UTC}
records: {path: %q, synchronous: normal}
broker: {address: "tcp://127.0.0.1:1883", client_id: recorded}
rooms: [{id: nursery}]
sensors:
%s`, filepath.Join(t.TempDir(), "recorded.db"), sensors))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

const (
	configured = "  - {id: s, room: nursery, interval: 10m, inputs: [{topic: s, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n"
	claimed    = "  - {id: late, room: nursery, interval: 10m, inputs: [{topic: late, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n"
)

// TestRecordedCountsOfFinishedCohorts records a day in which a second sensor
// is claimed, a cohort is counted as it should be and another, closed before
// the end, as cannot be.
func TestRecordedCountsOfFinishedCohorts(t *testing.T) {
	catalog := speciestest.Library(t)
	f, grown := facilityOf(t, configured), facilityOf(t, configured+claimed)
	store, err := records.Open(t.Context(), f.Records.Path, records.Options{Synchronous: records.Normal})
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	engine, err := daemon.New(ctx, daemon.Options{Options: fold.Options{Facility: f, Catalog: catalog, Logger: slog.New(slog.DiscardHandler)}, Store: store, Now: timekeeping.Right(begin)})
	if err != nil {
		t.Fatal(err)
	}
	messages, ticks, done := make(chan sensors.Message), make(chan timekeeping.Beat), make(chan error, 1)
	go func() { done <- engine.Run(ctx, daemon.Sources{Messages: messages, Ticks: ticks}) }()
	do := func(commands ...fold.Command) {
		t.Helper()
		for _, c := range commands {
			if err := engine.Do(t.Context(), c); err != nil {
				t.Fatal(err)
			}
		}
	}
	count := func(id population.CohortID, at time.Time, stage species.StageID) fold.Command {
		return fold.RecordCount{Count: population.Count{Cohort: id, Time: at, Stage: stage, Seen: 50, Of: 50, By: "keeper"}}
	}
	for _, id := range []population.CohortID{"kept", "closed"} {
		do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
			ID: id, Species: "danaus-plexippus", Start: begin, StartStage: "egg", Individuals: 50,
			Placements: []population.Placement{{Room: "nursery", From: begin}},
		}})
	}
	for step := range 24 * 6 {
		at := begin.Add(time.Duration(step) * 10 * time.Minute)
		messages <- sensors.Message{Topic: "s", Payload: []byte("25"), Received: at, Ack: func() {}}
		ticks <- timekeeping.Right(at.Add(5 * time.Second))
		switch step {
		case 36:
			do(fold.ClaimSensor{Sensor: grown.Sensors[1], Who: "technician"})
		case 72:
			do(count("closed", at, "larva-4"), fold.EndCohort{Cohort: "closed", At: at, Who: "keeper"})
		case 100:
			do(count("kept", at, "egg"))
		}
	}
	close(messages)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}

	reader, err := records.OpenReader(t.Context(), f.Records.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	// Claimed, the sensor stands in the configuration by now.
	got, err := Recorded(t.Context(), lookback.ReplayOptions{Facility: grown, Catalog: catalog, Records: reader, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if want := (Counts{Counts: 2, Inside: 1, Conflicts: 1}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}
