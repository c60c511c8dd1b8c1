package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

const replayFacility = `
facility: {name: Replay test, timezone: UTC}
records: {path: replay.db, synchronous: normal}
broker: {address: "tcp://127.0.0.1:1883", client_id: replay}
rooms: [{id: nursery, limits: {heat_celsius: %s}}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: s, format: json, values: [{quantity: temperature, at: /t, unit: °C}]}]}]
`

// recordHeat writes the records of four hours in which the room is at 31 °C
// for one, under a limit of 30 °C, and a keeper books losses.
func recordHeat(t *testing.T, config string) {
	t.Helper()
	f, err := cli.LoadFacility(config)
	if err != nil {
		t.Fatal(err)
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		t.Fatal(err)
	}
	store, err := records.Open(t.Context(), f.Records.Path, records.Options{Synchronous: records.Normal})
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	ctx, cancel := context.WithCancel(context.Background())
	engine, err := daemon.New(ctx, daemon.Options{Options: fold.Options{Facility: f, Catalog: catalog, Logger: slog.New(slog.DiscardHandler)}, Store: store, Now: timekeeping.Right(begin)})
	if err != nil {
		t.Fatal(err)
	}
	messages, ticks, done := make(chan sensors.Message), make(chan timekeeping.Beat), make(chan error, 1)
	go func() { done <- engine.Run(ctx, daemon.Sources{Messages: messages, Ticks: ticks}) }()
	do := func(c fold.Command) {
		t.Helper()
		if err := engine.Do(t.Context(), c); err != nil {
			t.Fatal(err)
		}
	}
	do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: "c", Species: "danaus-plexippus", Start: begin, StartStage: "larva-3", Individuals: 50,
		Placements: []population.Placement{{Room: "nursery", From: begin}},
	}})
	for m := range 240 {
		temperature := 25.0
		if m >= 60 && m < 120 {
			temperature = 31
		}
		at := begin.Add(time.Duration(m) * time.Minute)
		messages <- sensors.Message{Topic: "s", Payload: fmt.Appendf(nil, `{"t":%g}`, temperature), Received: at, Ack: func() {}}
		ticks <- timekeeping.Right(at.Add(5 * time.Second))
	}
	do(fold.RecordCount{Count: population.Count{
		Cohort: "c", Time: begin.Add(3 * time.Hour), Stage: "larva-3", Seen: 45, Of: 50, Lost: 5, Cause: "heat", By: "keeper",
	}})
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestReplayWithChangedLimits(t *testing.T) {
	dir := t.TempDir()
	write := func(name, heat string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, fmt.Appendf(nil, replayFacility, heat), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	config, changed := write("facility.yaml", "30"), write("changed.yaml", "32")
	recordHeat(t, config)
	replay := func(args ...string) replayReport {
		t.Helper()
		out, errOut, err := runProgram(t, &replayCommand{}, "", append([]string{"--config", config, "--json"}, args...)...)
		if err != nil {
			t.Fatalf("%v\n%s", err, errOut)
		}
		var r replayReport
		if err := json.Unmarshal([]byte(out), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	heat := func(list []lookback.Episode) int {
		n := 0
		for _, e := range list {
			if e.Condition == "heat" {
				n++
			}
		}
		return n
	}
	same := replay()
	if !same.Same || heat(same.Recorded) != 1 || heat(same.Replayed) != 1 {
		t.Errorf("unchanged: same %v, %d recorded, %d replayed; want the one heat alarm on both sides", same.Same, heat(same.Recorded), heat(same.Replayed))
	}
	with := replay("--with", changed)
	if with.Same || heat(with.Recorded) != 1 || heat(with.Replayed) != 0 {
		t.Errorf("with 32 °C: same %v, %d recorded, %d replayed; want 1 and 0", with.Same, heat(with.Recorded), heat(with.Replayed))
	}
	if len(with.Losses) != 1 || with.Losses[0].Lost != 5 {
		t.Errorf("losses beside it: %+v", with.Losses)
	}
	text, _, err := runProgram(t, &replayCommand{}, "", "--config", config, "--with", changed)
	if err != nil || !strings.Contains(text, "Only as it happened") || !strings.Contains(text, "5 lost") {
		t.Errorf("%v:\n%s", err, text)
	}
	text, errOut, err := runProgram(t, &performanceCommand{}, "", "--config", config, "--days", "1", "--json")
	if err != nil {
		t.Fatalf("%v\n%s", err, errOut)
	}
	var p struct {
		Calls          int `json:"calls"`
		Unacknowledged int `json:"unacknowledged"`
		WithoutAction  int `json:"without_action"`
	}
	if err := json.Unmarshal([]byte(text), &p); err != nil || p.Calls == 0 || p.Unacknowledged != p.Calls {
		t.Errorf("performance: %v, %+v\n%s", err, p, text)
	}
}
