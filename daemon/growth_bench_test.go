package daemon

import (
	"database/sql"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/records/upkeep"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// The facility of BenchmarkGrowth is a twentieth of one with 100 sensors that
// each send every minute and 200 cohorts a year. Its sensors send every ten
// minutes, so what is written of a reading is multiplied.
const (
	growthPart  = 20
	growthDays  = 36
	growthEvery = 10 * time.Minute
	growthKeep  = 20
)

func growthFacility() string {
	var b strings.Builder
	b.WriteString("facility: {name: Growth, timezone: UTC}\nbroker: {address: \"tcp://127.0.0.1:1883\", client_id: growth}\nrooms: [{id: room-0}, {id: room-1}]\nsensors:\n")
	for i := range 5 {
		fmt.Fprintf(&b, "  - {id: s%d, room: room-%d, interval: 10m, inputs: [{topic: t/s%d, format: json, time: {at: /ts, unit: s}, values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: \"%%\"}]}]}\n", i, i%2, i)
	}
	b.WriteString("people: [{id: lead, name: Lead, email: lead@example.org}, {id: two, name: Two, email: two@example.org}]\n" +
		"channels: [{id: hook, kind: webhook, url: \"https://example.org/hook\", secret_env: REARGUARD_TEST_SECRET}]\n" +
		"roster: [{who: [lead, two], channels: [hook], priorities: [low, medium, high, critical]}]\n")
	return b.String()
}

// growDay lives for a day: a wave of warmth, too much of it on some afternoons,
// a link that breaks now and then, and people who enter cohorts and counts.
func growDay(r *rig, day int) time.Time {
	var at time.Time
	for n := range int(24 * time.Hour / growthEvery) {
		at = testStart.AddDate(0, 0, day).Add(time.Duration(n) * growthEvery)
		for s := range 5 {
			v := 25 + 3*math.Sin(float64(n)/144*2*math.Pi) + 0.1*float64(s) + 0.01*float64((n*7+s*3+day)%11)
			if day%5 == 2 && n >= 72 && n < 78 && s%2 == 0 {
				v += 10
			}
			r.send(fmt.Sprintf("t/s%d", s), fmt.Sprintf(`{"ts":%d,"t":%.2f,"h":%d.%d}`, at.Unix(), v, 65+n%7, (n+s)%10), at)
		}
		r.ticks <- timekeeping.Right(at.Add(time.Second))
	}
	for _, up := range []bool{false, true} {
		r.links <- snapshot.Link{Address: "tcp://broker", Connected: up, Subscribed: up, Since: at}
	}
	if day%36 == 0 {
		id := population.CohortID(fmt.Sprintf("monarch-%03d", day))
		r.do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{ID: id, Species: "danaus-plexippus", Start: at, StartStage: "egg", Individuals: 100,
			Placements: []population.Placement{{Room: sensors.RoomID(fmt.Sprintf("room-%d", day%2)), From: at}}}})
		r.do(fold.RecordCount{Count: population.Count{Cohort: id, Time: at, Stage: "egg", Seen: 50, Of: 50, By: "keeper", Note: "all well"}})
	}
	if day%36 == 30 {
		r.do(fold.EndCohort{Cohort: population.CohortID(fmt.Sprintf("monarch-%03d", day-30)), At: at, Who: "keeper"})
	}
	for _, a := range r.tick(at.Add(time.Minute)).Alarms {
		if a.State == alerts.Unacknowledged || a.State == alerts.Returned {
			r.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "lead"})
		}
	}
	return at
}

// BenchmarkGrowth prints how much a facility's records grow by in a year, and
// what does not grow any more once it has come to its age.
func BenchmarkGrowth(b *testing.B) {
	for b.Loop() {
		r := &rig{
			t: b, path: filepath.Join(b.TempDir(), "growth.db"), facility: foldtest.Parse(b, growthFacility()), catalog: speciestest.Library(b),
			options: records.Options{Synchronous: records.Normal},
		}
		r.start(testStart)
		for day := range growthDays {
			at := growDay(r, day)
			r.records()
			if _, err := r.store.Roll(b.Context(), at.Add(-36*time.Hour)); err != nil {
				b.Fatal(err)
			}
			if due := r.due(at); len(due) > 0 {
				if err := r.store.MarkDelivered(b.Context(), at, due...); err != nil {
					b.Fatal(err)
				}
			}
			if err := upkeep.Condense(b.Context(), r.store, upkeep.Keep{Now: at, DetailDays: growthKeep}); err != nil {
				b.Fatal(err)
			}
		}
		r.stop()
		report(b, r.path)
	}
}

// due are the notices to be delivered.
func (r *rig) due(at time.Time) (ids []int64) {
	r.t.Helper()
	queues, err := r.store.Queues(r.t.Context(), at)
	if err != nil {
		r.t.Fatal(err)
	}
	for _, q := range queues {
		due, err := r.store.PendingNotices(r.t.Context(), q.Channel, q.Recipient, 1000)
		if err != nil {
			r.t.Fatal(err)
		}
		for _, n := range due {
			ids = append(ids, n.ID)
		}
	}
	return ids
}

func report(b *testing.B, path string) {
	b.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	perYear := growthPart * 365.0 / growthDays / 1e6
	perKept := growthPart * 400.0 / growthKeep / 1e6
	for _, kind := range []struct {
		name, query string
		factor      float64
	}{
		{"readings-MB/year", `SELECT sum(length(data) + 40) FROM chunk`, perYear * float64(growthEvery/time.Minute)},
		{"occurrences-MB/year", `SELECT sum(length(state) + 120) FROM occurrence WHERE state = 'null'`, growthPart * 365.0 / (growthDays - growthKeep) / 1e6},
		{"people-MB/year", `SELECT sum(length(body) + 60) FROM journal WHERE who <> ''`, perYear},
		{"cohorts-MB/year", `SELECT (SELECT sum(length(body) + 20) FROM cohort) + (SELECT sum(length(body) + 40) FROM tally)`, perYear},
		{"notices-MB/400d", `SELECT sum(length(payload) + length(key) + 100) FROM outbox`, perKept},
		{"steps-MB/400d", `SELECT sum(length(reason) + length(who) + 120) FROM alarm_transition`, perKept},
		{"states-MB/400d", `SELECT sum(length(state)) FROM occurrence WHERE state <> 'null'`, perKept},
		{"machines-MB/400d", `SELECT sum(length(body) + 60) FROM journal WHERE who = ''`, perKept},
		{"curves-MB", `SELECT sum(length(body)) FROM state WHERE name LIKE 'mark/%'`, growthPart / 1e6},
		{"checkpoints-MB", `SELECT sum(length(body)) FROM state WHERE name LIKE 'fold%'`, growthPart / 1e6},
	} {
		var bytes sql.NullFloat64
		if err := db.QueryRow(kind.query).Scan(&bytes); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(bytes.Float64*kind.factor, kind.name)
	}
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(info.Size())/1e6, "MB-file")
}
