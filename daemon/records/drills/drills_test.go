package drills_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/notify"
	"rearguard/daemon/records"
	"rearguard/daemon/records/drills"
)

var day0 = time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)

func open(t *testing.T, path string) (*records.Store, *drills.Book) {
	t.Helper()
	store, err := records.Open(t.Context(), path, records.Options{Synchronous: records.Normal, BusyTimeout: 20 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { store.Close() })
	return store, drills.New(store)
}

// everybody is a drill of two people by hand.
func everybody() drills.Start {
	return drills.Start{
		Whole: true, Who: "Ines", Link: "https://moths.example.org/people",
		Targets:  []drills.Target{{Person: "lead", Channel: "mail"}, {Person: "lead", Channel: "phone"}, {Person: "keeper", Channel: "mail"}},
		Facility: "Moth House",
	}
}

func begin(t *testing.T, b *drills.Book, s drills.Start, now time.Time) {
	t.Helper()
	if err := b.Begin(t.Context(), s, now); err != nil {
		t.Fatal(err)
	}
}

func newest(t *testing.T, store *records.Store) []drills.Drill {
	t.Helper()
	list, err := drills.Newest(t.Context(), store.Reader, 100)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// What becomes of each notice in the outbox, and what people say of it, is in
// the drill, also after a restart and once the outbox has let go of its rows.
func TestDrillFollowsItsNotices(t *testing.T) {
	path := filepath.Join(t.TempDir(), "test.db")
	store, book := open(t, path)
	begin(t, book, everybody(), day0)
	want := []drills.Drill{{ID: 1, Whole: true, Who: "Ines", Began: day0, Notices: []drills.Notice{
		{ID: 1, Person: "lead", Channel: "mail"}, {ID: 2, Person: "lead", Channel: "phone"}, {ID: 3, Person: "keeper", Channel: "mail"},
	}}}
	if diff := cmp.Diff(want, newest(t, store)); diff != "" {
		t.Fatalf("begun (-want +got):\n%s", diff)
	}
	rows, err := store.NoticesBetween(t.Context(), day0, day0.Add(time.Second))
	if err != nil || len(rows) != 3 {
		t.Fatal(rows, err)
	}
	var said notify.AlarmNotice
	if err := json.Unmarshal(rows[1].Payload, &said); err != nil {
		t.Fatal(err)
	}
	if said.Kind != notify.Test || said.Occurrence != -2 || rows[1].Occurrence != -2 || said.AskedBy != "Ines" || said.Link == "" || rows[1].Channel != "phone" || rows[1].Recipient != "lead" {
		t.Errorf("notice %+v says %+v", rows[1], said)
	}

	if err := store.MarkDelivered(t.Context(), day0.Add(time.Second), rows[0].ID); err != nil {
		t.Fatal(err)
	}
	if err := store.MarkRetry(t.Context(), day0.Add(time.Minute), "no route", rows[1].ID); err != nil {
		t.Fatal(err)
	}
	if err := store.MarkDead(t.Context(), rows[2].ID, day0.Add(time.Minute), "no such mailbox"); err != nil {
		t.Fatal(err)
	}
	if err := book.Arrived(t.Context(), 1, day0, "Lead", day0.Add(5*time.Minute)); err != nil {
		t.Fatal(err)
	}
	// What was said first stays.
	if err := book.Arrived(t.Context(), 1, time.Time{}, "Somebody", day0.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	want[0].Notices[0] = drills.Notice{ID: 1, Person: "lead", Channel: "mail", TakenAt: day0.Add(time.Second), ArrivedAt: day0.Add(5 * time.Minute), ArrivedBy: "Lead"}
	want[0].Notices[1].Failure = "no route"
	want[0].Notices[2].Failure, want[0].Notices[2].GivenUp = "no such mailbox", true
	got := newest(t, store)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if d, n, err := drills.Of(t.Context(), store.Reader, 2, day0); err != nil || d.ID != 1 || n.Channel != "phone" {
		t.Errorf("of number 2: %+v, %+v, %v", d, n, err)
	}
	for _, number := range []int64{0, -2, 9} {
		if _, _, err := drills.Of(t.Context(), store.Reader, number, day0); !errors.Is(err, drills.ErrUnknown) {
			t.Errorf("of number %d: %v", number, err)
		}
	}
	if _, _, err := drills.Of(t.Context(), store.Reader, 2, day0.Add(time.Hour)); !errors.Is(err, drills.ErrUnknown) {
		t.Errorf("of other records: %v", err)
	}
	if took := got[0].Took(&got[0].Notices[0]); took != 5*time.Minute {
		t.Errorf("it took %v", took)
	}
	if silent := got[0].Silent(); len(silent) != 1 || silent[0] != "keeper" {
		t.Errorf("silent: %v", silent)
	}
	if got[0].Ended(day0.Add(24*time.Hour-1)) || !got[0].Ended(day0.Add(24*time.Hour)) {
		t.Error("a drill does not end after a day")
	}
	if err := store.MarkDelivered(t.Context(), day0.Add(2*time.Minute), rows[1].ID); err != nil {
		t.Fatal(err)
	}
	want[0].Notices[1] = drills.Notice{ID: 2, Person: "lead", Channel: "phone", TakenAt: day0.Add(2 * time.Minute)}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	store, _ = open(t, path)
	if diff := cmp.Diff(want, newest(t, store)); diff != "" {
		t.Errorf("after a restart (-want +got):\n%s", diff)
	}
}

func TestArrivalsThatAreRefused(t *testing.T) {
	store, book := open(t, filepath.Join(t.TempDir(), "test.db"))
	begin(t, book, everybody(), day0)
	for name, err := range map[string]error{
		"no such number": book.Arrived(t.Context(), 9, day0, "Lead", day0.Add(time.Minute)),
		"below zero":     book.Arrived(t.Context(), -1, day0, "Lead", day0.Add(time.Minute)),
		"other records":  book.Arrived(t.Context(), 1, day0.Add(-time.Hour), "Lead", day0.Add(time.Minute)),
	} {
		if !errors.Is(err, drills.ErrUnknown) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A clock that was ahead when it began does not give an answer before it.
	if err := book.Arrived(t.Context(), 1, day0, "Lead", day0.Add(-time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got := newest(t, store)[0].Notices[0]; !got.ArrivedAt.Equal(day0) {
		t.Errorf("arrived at %v", got.ArrivedAt)
	}
}

// A period has one drill, whoever starts it, also after a restart and when the
// clock has been moved; and nobody is sent one test right after another.
func TestDrillsThatAreRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "test.db")
	store, book := open(t, path)
	scheduled := everybody()
	scheduled.Who, scheduled.Period = "", "2026-03"
	var began atomic.Int32
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			err := book.Begin(t.Context(), scheduled, day0)
			if err == nil {
				began.Add(1)
			} else if !errors.Is(err, drills.ErrDone) {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if began.Load() != 1 {
		t.Errorf("%d drills began", began.Load())
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	store, book = open(t, path)
	for _, at := range []time.Time{day0.Add(time.Hour), day0.AddDate(0, 0, -20), day0.AddDate(3, 0, 0)} {
		if err := book.Begin(t.Context(), scheduled, at); !errors.Is(err, drills.ErrDone) {
			t.Errorf("at %v: %v", at, err)
		}
	}
	if err := book.Begin(t.Context(), everybody(), day0.Add(time.Minute)); !errors.Is(err, drills.ErrSoon) {
		t.Errorf("a second drill after a minute: %v", err)
	}
	test := drills.Start{Who: "Ines", Targets: []drills.Target{{Person: "lead", Channel: "mail"}}}
	if err := book.Begin(t.Context(), test, day0.Add(time.Minute)); !errors.Is(err, drills.ErrSoon) {
		t.Errorf("a test within the drill: %v", err)
	}
	begin(t, book, drills.Start{Who: "Ines", Targets: []drills.Target{{Person: "keeper", Channel: "phone"}}}, day0.Add(time.Minute))
	begin(t, book, test, day0.Add(6*time.Minute))
	// A drill that a clock which was ahead has dated does not keep others away.
	begin(t, book, everybody(), day0.AddDate(0, 0, -1))
	if err := book.Begin(t.Context(), drills.Start{Who: "Ines"}, day0); !errors.Is(err, drills.ErrNobody) {
		t.Errorf("to nobody: %v", err)
	}
	last, err := drills.Last(t.Context(), store.Reader)
	if err != nil || len(last) != 2 || last[0].Period != "" || last[1].Period != "2026-03" {
		t.Errorf("the last: %+v, %v", last, err)
	}
}

// Only tests are forgotten, and their notices with them.
func TestOldTestsAreForgotten(t *testing.T) {
	store, book := open(t, filepath.Join(t.TempDir(), "test.db"))
	begin(t, book, everybody(), day0)
	for i := range 503 {
		begin(t, book, drills.Start{Who: "Ines", Targets: []drills.Target{{Person: fmt.Sprint("p", i), Channel: "mail"}}}, day0.Add(time.Duration(i)*time.Second))
	}
	list, err := drills.Newest(t.Context(), store.Reader, 1000)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 501 || !list[500].Whole || list[499].Notices[0].Person != "p3" {
		t.Errorf("%d trials, the oldest %+v and %+v", len(list), list[len(list)-1], list[len(list)-2])
	}
}

// A name that a person typed stays a name in the records.
func TestNamesAreKeptAsTheyAre(t *testing.T) {
	store, book := open(t, filepath.Join(t.TempDir(), "test.db"))
	s := everybody()
	s.Who = `Ines'); DROP TABLE drill;--` + strings.Repeat("é", 40)
	begin(t, book, s, day0)
	if got := newest(t, store)[0].Who; got != s.Who {
		t.Errorf("%q became %q", s.Who, got)
	}
}
