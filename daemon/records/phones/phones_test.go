package phones_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/notify"
	"rearguard/daemon/records"
	"rearguard/daemon/records/phones"
)

var day0 = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// shelf is a book on real records.
type shelf struct {
	*phones.Book
	t     *testing.T
	path  string
	store *records.Store
}

func newShelf(t *testing.T) *shelf {
	t.Helper()
	s := &shelf{t: t, path: filepath.Join(t.TempDir(), "test.db")}
	s.open()
	t.Cleanup(func() { s.store.Close() })
	return s
}

func (s *shelf) open() {
	s.t.Helper()
	var err error
	if s.store, err = records.Open(s.t.Context(), s.path, records.Options{Synchronous: records.Normal, BusyTimeout: 20 * time.Millisecond}); err != nil {
		s.t.Fatal(err)
	}
	if s.Book, err = phones.Open(s.t.Context(), s.store); err != nil {
		s.t.Fatal(err)
	}
}

// restart closes the records and opens them again; what was known must be
// known still.
func (s *shelf) restart() {
	s.t.Helper()
	before := s.Phones()
	if err := s.store.Close(); err != nil {
		s.t.Fatal(err)
	}
	s.open()
	if diff := cmp.Diff(before, s.Phones()); diff != "" {
		s.t.Errorf("after a restart (-before +after):\n%s", diff)
	}
}

// entry is that of a phone whose subscription has a number.
func entry(device, person, name string, subscription int) phones.Entry {
	return phones.Entry{
		Device: device + "-0123456789abcdef", Person: person, Name: name,
		Fingerprint: fmt.Sprintf("print-%d", subscription), Sealed: fmt.Appendf(nil, "sealed-%d", subscription),
	}
}

func (s *shelf) subscribe(e phones.Entry, at time.Time) {
	s.t.Helper()
	if err := s.Subscribe(s.t.Context(), e, at); err != nil {
		s.t.Fatal(err)
	}
}

// told says which subscriptions a person is told by.
func (s *shelf) told(person string) string {
	var list []string
	for _, p := range s.PhonesOf(person) {
		list = append(list, fmt.Sprintf("%d %s %s", p.ID, p.Name, p.Sealed))
	}
	return strings.Join(list, ", ")
}

func (s *shelf) wantTold(person, want string) {
	s.t.Helper()
	if got := s.told(person); got != want {
		s.t.Errorf("%s is told by %q, want %q", person, got, want)
	}
}

func TestPhonesAreKept(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	s.subscribe(entry("b", "lead", "home", 2), day0)
	s.subscribe(entry("c", "keeper", "only", 3), day0)
	s.restart()
	s.wantTold("lead", "1 work sealed-1, 2 home sealed-2")
	s.wantTold("keeper", "3 only sealed-3")
	s.wantTold("nobody", "")
	var order []string
	for _, p := range s.Phones() {
		order = append(order, p.Person+" "+p.Name)
	}
	if diff := cmp.Diff([]string{"keeper only", "lead home", "lead work"}, order); diff != "" {
		t.Error(diff)
	}
}

func TestHealthIsKept(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	s.subscribe(entry("b", "lead", "home", 2), day0)
	list := s.PhonesOf("lead")
	note := func(at time.Time, what ...notify.Pushed) {
		t.Helper()
		if err := s.NotePushed(t.Context(), at, what); err != nil {
			t.Fatal(err)
		}
	}
	note(day0.Add(time.Hour), notify.Pushed{Phone: list[0]}, notify.Pushed{Phone: list[1], Failure: "busy"})
	note(day0.Add(2*time.Hour), notify.Pushed{Phone: list[0], Failure: "410", Gone: true}, notify.Pushed{Phone: list[1]})
	s.restart()
	s.wantTold("lead", "2 home sealed-2")
	want := []phones.Phone{
		{ID: 2, Person: "lead", Name: "home", Since: day0, TakenAt: day0.Add(2 * time.Hour), FailedAt: day0.Add(time.Hour), Failure: "busy"},
		{ID: 1, Person: "lead", Name: "work", Since: day0, TakenAt: day0.Add(time.Hour), FailedAt: day0.Add(2 * time.Hour), Failure: "410", Gone: true},
	}
	if diff := cmp.Diff(want, s.Phones()); diff != "" {
		t.Error(diff)
	}
	// The subscription that is gone does not come back; a new one does.
	again := entry("a", "lead", "work", 1)
	again.Again = true
	if err := s.Subscribe(t.Context(), again, day0); !errors.Is(err, phones.ErrStale) {
		t.Errorf("the dropped subscription: %v", err)
	}
	s.subscribe(entry("a", "lead", "work", 4), day0.Add(3*time.Hour))
	s.restart()
	s.wantTold("lead", "1 work sealed-4, 2 home sealed-2")
	if p := s.Phones()[1]; p.Gone || p.Failure != "" || !p.TakenAt.IsZero() || !p.Since.Equal(day0.Add(3*time.Hour)) {
		t.Errorf("subscribed anew it is %+v", p)
	}
	// What is said of the old subscription does not touch the new one.
	note(day0.Add(4*time.Hour), notify.Pushed{Phone: list[0], Failure: "410", Gone: true})
	s.wantTold("lead", "1 work sealed-4, 2 home sealed-2")
}

// A phone subscribes anew whenever its subscription changed, and is one phone
// all the same.
func TestPhoneThatSpeaksAgain(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	again := entry("a", "lead", "work", 1)
	again.Again, again.Sealed = true, []byte("sealed anew")
	s.subscribe(again, day0.Add(time.Hour))
	s.wantTold("lead", "1 work sealed-1")
	if p := s.Phones()[0]; !p.Since.Equal(day0) {
		t.Errorf("what is known is entered again: %+v", p)
	}
	again = entry("a", "lead", "work", 2)
	again.Again = true
	s.subscribe(again, day0.Add(2*time.Hour))
	s.wantTold("lead", "1 work sealed-2")
	// The phone is given to somebody else.
	s.subscribe(entry("a", "keeper", "work", 2), day0.Add(3*time.Hour))
	s.wantTold("lead", "")
	s.wantTold("keeper", "1 work sealed-2")
	// It forgot what it was called: its subscription is the same one still.
	s.subscribe(entry("z", "keeper", "mine", 2), day0.Add(4*time.Hour))
	s.wantTold("keeper", "1 mine sealed-2")
	s.restart()
	if n := len(s.Phones()); n != 1 {
		t.Errorf("%d phones, want the one", n)
	}
}

func TestRemovedPhoneStaysRemoved(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	if err := s.Remove(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	s.restart()
	if len(s.Phones()) > 0 {
		t.Errorf("still there: %+v", s.Phones())
	}
	again := entry("a", "lead", "work", 1)
	again.Again = true
	if err := s.Subscribe(t.Context(), again, day0); !errors.Is(err, phones.ErrRemoved) {
		t.Errorf("by itself it comes back: %v", err)
	}
	if err := s.Remove(t.Context(), 1); !errors.Is(err, phones.ErrUnknown) {
		t.Errorf("removed twice: %v", err)
	}
	s.wantTold("lead", "")
	s.subscribe(entry("a", "lead", "work", 1), day0)
	s.wantTold("lead", "1 work sealed-1")
}

// Those removed are remembered, but not for ever.
func TestRemovedPhonesAreForgottenInTheEnd(t *testing.T) {
	s := newShelf(t)
	for i := range 205 {
		s.subscribe(entry(fmt.Sprintf("device-%d", i), "lead", "work", i), day0)
		if err := s.Remove(t.Context(), s.Phones()[0].ID); err != nil {
			t.Fatal(err)
		}
	}
	s.restart()
	first, last := entry("device-0", "lead", "work", 0), entry("device-204", "lead", "work", 204)
	first.Again, last.Again = true, true
	if err := s.Subscribe(t.Context(), last, day0); !errors.Is(err, phones.ErrRemoved) {
		t.Errorf("the last removed: %v", err)
	}
	s.subscribe(first, day0)
}

func TestTests(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	phone, word, err := s.BeginTest(t.Context(), 1, day0.Add(time.Hour))
	if err != nil || len(word) < 20 || phone.ID != 1 || phone.Name != "work" || string(phone.Sealed) != "sealed-1" {
		t.Fatalf("%+v, %q, %v", phone, word, err)
	}
	_, second, err := s.BeginTest(t.Context(), 1, day0.Add(2*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	s.restart()
	for _, wrong := range []string{"", word, "nonsense"} {
		if err := s.Seen(t.Context(), wrong, day0); err == nil {
			t.Errorf("%q counts as seen", wrong)
		}
	}
	if err := s.Seen(t.Context(), second, day0.Add(3*time.Hour)); err != nil {
		t.Fatal(err)
	}
	s.restart()
	if p := s.Phones()[0]; !p.TestedAt.Equal(day0.Add(2*time.Hour)) || !p.SeenAt.Equal(day0.Add(3*time.Hour)) {
		t.Errorf("%+v", p)
	}
	if _, _, err := s.BeginTest(t.Context(), 7, day0); !errors.Is(err, phones.ErrUnknown) {
		t.Errorf("no such phone: %v", err)
	}
	if err := s.NotePushed(t.Context(), day0, []notify.Pushed{{Phone: phone, Failure: "404", Gone: true}}); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.BeginTest(t.Context(), 1, day0); err == nil || !strings.Contains(err.Error(), "open the page on it") {
		t.Errorf("a phone that is gone: %v", err)
	}
}

func TestEntriesThatAreRefused(t *testing.T) {
	s := newShelf(t)
	for name, e := range map[string]phones.Entry{
		"no device": {Name: "work"}, "device anybody guesses": {Device: "phone", Name: "work"},
		"no name": {Device: "0123456789abcdef"}, "long name": {Device: "0123456789abcdef", Name: strings.Repeat("ü", 41)},
	} {
		if err := s.Subscribe(t.Context(), e, day0); err == nil {
			t.Errorf("%s: it is taken", name)
		}
	}
	for i := range 8 {
		s.subscribe(entry(fmt.Sprintf("d%d", i), "lead", "work", i), day0)
	}
	if err := s.Subscribe(t.Context(), entry("more", "lead", "work", 99), day0); err == nil || !strings.Contains(err.Error(), "remove one") {
		t.Errorf("a ninth phone: %v", err)
	}
	s.subscribe(entry("d3", "lead", "another name", 100), day0)
	s.subscribe(entry("more", "keeper", "work", 99), day0)
}

// While the records cannot be written, phones are reached and what comes of it
// is known; nothing is said to be kept that is not.
func TestRecordsThatCannotBeWritten(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	other, err := sql.Open("sqlite", s.path)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	c, err := other.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.ExecContext(t.Context(), "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	phone := s.PhonesOf("lead")[0]
	if err := s.NotePushed(t.Context(), day0.Add(time.Hour), []notify.Pushed{{Phone: phone, Failure: "410", Gone: true}}); err == nil {
		t.Error("it is noted in records that are locked")
	}
	s.wantTold("lead", "")
	if err := s.Subscribe(t.Context(), entry("b", "keeper", "new", 2), day0); err == nil {
		t.Error("a phone is kept in records that are locked")
	}
	s.wantTold("keeper", "")
	if err := s.Remove(t.Context(), 1); err == nil || len(s.Phones()) != 1 {
		t.Errorf("removed: %v, left %+v", err, s.Phones())
	}
	if _, err := c.ExecContext(t.Context(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	s.subscribe(entry("b", "keeper", "new", 2), day0)
	s.wantTold("keeper", "2 new sealed-2")
}

// A copy of the records has the phones.
func TestBackupHasThePhones(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	copied := filepath.Join(t.TempDir(), "copy.db")
	if err := s.store.Backup(context.Background(), copied); err != nil {
		t.Fatal(err)
	}
	if err := s.store.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(copied, s.path); err != nil {
		t.Fatal(err)
	}
	s.open()
	s.wantTold("lead", "1 work sealed-1")
}

// A damaged list costs the phones on it and nothing else.
func TestDamagedListIsTold(t *testing.T) {
	s := newShelf(t)
	s.subscribe(entry("a", "lead", "work", 1), day0)
	if err := s.store.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", s.path)
	if err != nil {
		t.Fatal(err)
	}
	var page, size int64
	if err := db.QueryRow(`SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_schema WHERE name = 'phone'`).Scan(&page, &size); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	file, err := os.OpenFile(s.path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = file.WriteAt([]byte(strings.Repeat("no page ", int(size/8))), (page-1)*size)
	if err := errors.Join(err, file.Close()); err != nil {
		t.Fatal(err)
	}
	s.open()
	if len(s.Phones()) > 0 || !strings.Contains(s.store.Damage(), "the list of phones") {
		t.Errorf("phones %+v, damage %q", s.Phones(), s.store.Damage())
	}
}
