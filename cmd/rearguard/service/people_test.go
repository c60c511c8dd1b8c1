package service

import (
	"errors"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/invite"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/records"
	"rearguard/daemon/records/drills"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web/people"
)

const drillFacility = `
facility: {name: Moth House, timezone: Europe/Madrid}
broker: {address: "tcp://127.0.0.1", client_id: t}
web: {public_url: "https://moths.example.org"}
rooms: [{id: nursery}]
people: [{id: lead, name: Ada Lead, email: lead@example.org}, {id: keeper, name: Keeper, email: keeper@example.org}, {id: vet, name: Vet}, {id: guest, name: Guest, email: guest@example.org, away: [{from: 2026-01-01, to: 2026-12-31}]}]
channels:
  - {id: mail, kind: email, smtp: {host: 127.0.0.1, tls: none, from: rearguard@example.org}}
  - {id: pager, kind: webhook, url: "http://127.0.0.1:1", secret_env: S}
roster:
  - {who: [lead, keeper, guest], channels: [mail]}
  - {who: [lead], channels: [pager, mail], priorities: [critical]}
drills: {every: monthly, day: 1, at: "10:00"}
`

// house is a peopleDesk on real records with a clock that the test sets.
type house struct {
	*peopleDesk
	t     *testing.T
	path  string
	store *records.Store
	now   time.Time
	woken int
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, path: filepath.Join(t.TempDir(), "test.db")}
	h.open()
	t.Cleanup(func() { h.store.Close() })
	return h
}

// open starts anew, as after a restart.
func (h *house) open() {
	h.t.Helper()
	f, err := facility.Parse("x.yaml", []byte(drillFacility))
	if err != nil {
		h.t.Fatal(err)
	}
	if h.store != nil {
		if err := h.store.Close(); err != nil {
			h.t.Fatal(err)
		}
	}
	if h.store, err = records.Open(h.t.Context(), h.path, records.Options{Synchronous: records.Normal}); err != nil {
		h.t.Fatal(err)
	}
	h.peopleDesk = &peopleDesk{
		links: &links{book: drills.New(h.store), reader: h.store.Pages(), facility: func() *facility.Facility { return f }, clock: func() time.Time { return h.now }},
		wake:  func() { h.woken++ },
	}
}

// at sets the clock, in the facility's zone, and looks whether a drill is due.
func (h *house) at(local string) {
	h.t.Helper()
	zone := h.facility().Site.Location
	now, err := time.ParseInLocation("2006-01-02 15:04", local, zone)
	if err != nil {
		h.t.Fatal(err)
	}
	h.now = now
	h.bySchedule(h.t.Context(), slog.New(slog.DiscardHandler))
	h.look(h.t.Context())
}

func (h *house) periods() string {
	h.t.Helper()
	list, err := drills.Newest(h.t.Context(), h.store.Reader, 100)
	if err != nil {
		h.t.Fatal(err)
	}
	var names []string
	for i := range list {
		names = append([]string{list[i].Period}, names...)
	}
	return strings.Join(names, " ")
}

func TestPeopleAreThoseOfTheRoster(t *testing.T) {
	all := []alerts.Priority{alerts.Medium, alerts.High, alerts.Critical}
	want := []people.Person{
		{ID: "lead", Name: "Ada Lead", Ways: []people.Way{{Channel: "mail", Priorities: all}, {Channel: "pager", Priorities: []alerts.Priority{alerts.Critical}}}},
		{ID: "keeper", Name: "Keeper", Ways: []people.Way{{Channel: "mail", Priorities: all}}}, {ID: "vet", Name: "Vet"},
		{ID: "guest", Name: "Guest", Ways: []people.Way{{Channel: "mail", Priorities: all}}},
	}
	if diff := cmp.Diff(want, newHouse(t).People()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A period has one drill, whatever restarts and clocks do.
func TestDrillsBySchedule(t *testing.T) {
	h := newHouse(t)
	for _, step := range []struct{ at, periods string }{
		{"2026-05-01 09:59", ""},
		{"2026-05-01 10:00", "2026-05"},
		{"2026-05-01 10:01", "2026-05"},
		{"restart", ""},
		{"2026-05-01 10:02", "2026-05"},
		// The clock is set back, and goes over the time again.
		{"2026-04-30 10:00", "2026-05"},
		{"2026-05-01 10:00", "2026-05"},
		// It was stopped on the day, and is started at night.
		{"2026-06-02 03:00", "2026-05"},
		{"2026-06-02 10:30", "2026-05 2026-06"},
		{"restart", ""},
		{"2026-06-03 10:30", "2026-05 2026-06"},
		// It was stopped for longer than a drill is made up for.
		{"2026-07-20 10:00", "2026-05 2026-06"},
		{"2026-08-01 10:59", "2026-05 2026-06 2026-08"},
	} {
		if step.at == "restart" {
			h.open()
			continue
		}
		h.at(step.at)
		if got := h.periods(); got != step.periods {
			t.Errorf("at %s: %q, want %q", step.at, got, step.periods)
		}
	}
	rows, err := h.store.PendingNotices(t.Context(), "mail", "lead", 100)
	if err != nil || len(rows) != 3 || h.woken != 3 {
		t.Errorf("%d notices, woken %d times, %v", len(rows), h.woken, err)
	}
}

func TestWhatIsWrongWithDrills(t *testing.T) {
	h := newHouse(t)
	expect := func(at, want string) {
		t.Helper()
		h.at(at)
		if got := h.unproven(); got != want {
			t.Errorf("at %s: %q, want %q", at, got, want)
		}
	}
	expect("2026-04-20 12:00", "no drill has been made yet: start one")
	expect("2026-05-01 10:00", "")
	if err := h.Arrived(t.Context(), 1, "Ada Lead"); err != nil {
		t.Fatal(err)
	}
	expect("2026-05-02 09:59", "")
	expect("2026-05-02 10:00", "Keeper did not answer the drill of 1 May 2026: ask whether it arrived, and send a test")
	// A late answer is one.
	if err := h.Arrived(t.Context(), 3, "Keeper"); err != nil {
		t.Fatal(err)
	}
	expect("2026-05-02 11:00", "")
	expect("2026-06-01 10:00", "")
	// Until the newest has had its time, the one before counts.
	expect("2026-06-01 11:00", "")
	expect("2026-06-02 11:00", "Ada Lead, Keeper did not answer the drill of 1 June 2026: ask whether it arrived, and send a test")
	expect("2026-07-10 11:00", "the last drill was on 1 June 2026, and one is wanted monthly: start one")
	if err := h.Drill(t.Context(), "Ines"); err != nil {
		t.Fatal(err)
	}
	expect("2026-07-10 11:05", "Ada Lead, Keeper did not answer the drill of 1 June 2026: ask whether it arrived, and send a test")
	for number := int64(7); number <= 9; number++ {
		if err := h.Arrived(t.Context(), number, "Ines"); err != nil {
			t.Fatal(err)
		}
	}
	expect("2026-07-12 11:05", "")
}

func TestTestsOfPeople(t *testing.T) {
	h := newHouse(t)
	h.now = time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		person, channel string
		fails           error
		says            string
	}{
		{"lead", "pager", nil, ""},
		{"lead", "", fold.ErrRefused, "give people a few minutes"},
		{"keeper", "", nil, ""},
		{"keeper", "pager", snapshot.ErrUnknown, `channel "pager" is`},
		{"nobody", "", snapshot.ErrUnknown, `person "nobody" is`},
		{"vet", "", fold.ErrRefused, "nobody is on the roster"},
	} {
		err := h.Test(t.Context(), tt.person, tt.channel, "Ines")
		if !errors.Is(err, tt.fails) || err != nil && !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s by %q: %v, want %v with %q", tt.person, tt.channel, err, tt.fails, tt.says)
		}
	}
	got, err := h.Trials(t.Context(), 10)
	if err != nil || len(got.List) != 2 || got.List[0].Whole || got.List[1].Notices[0].Channel != "pager" || got.Next.IsZero() {
		t.Errorf("%+v, %v", got, err)
	}
}

// A link leads its holder to what it is about, and nobody else anywhere.
func TestLinksOfNotices(t *testing.T) {
	h := newHouse(t)
	h.now = time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	l := &links{facility: h.facility, clock: h.clock, book: h.book, reader: h.reader}
	notice, alarm := notify.Notice{Recipient: "lead"}, notify.AlarmNotice{Kind: notify.Raised, Occurrence: 7, RaisedAt: h.now.Add(-time.Hour)}
	if got := l.make(notice, alarm, h.now); got != "" {
		t.Errorf("without a key: %q", got)
	}
	if _, err := l.Open("x"); !errors.Is(err, invite.ErrInvalid) {
		t.Errorf("without a key: %v", err)
	}
	var err error
	if l.key, err = invite.ReadOrCreateKey(filepath.Join(t.TempDir(), "links.key")); err != nil {
		t.Fatal(err)
	}
	const base = "https://moths.example.org/n/"
	link := l.make(notice, alarm, h.now)
	token, ours := strings.CutPrefix(link, base)
	if !ours {
		t.Fatalf("link %q", link)
	}
	i, err := l.Open(token)
	if err != nil || i.Name != "Ada Lead" || i.About != invite.Incident || i.Number != 7 || !i.Begin.Equal(alarm.RaisedAt) || !i.Expires.Equal(h.now.Add(24*time.Hour)) {
		t.Errorf("%+v, %v", i, err)
	}
	h.now = h.now.Add(24 * time.Hour)
	if i, err := l.Open(token); !errors.Is(err, invite.ErrExpired) || i.Name != "Ada Lead" {
		t.Errorf("a day later: %+v, %v", i, err)
	}

	if err := h.Drill(t.Context(), "Ines"); err != nil {
		t.Fatal(err)
	}
	test := l.make(notify.Notice{Recipient: "keeper"}, notify.AlarmNotice{Kind: notify.Test, Occurrence: -3, RaisedAt: h.now}, h.now)
	if i, err = l.Open(strings.TrimPrefix(test, base)); err != nil || i.About != invite.Test || i.Number != 3 {
		t.Fatalf("%+v, %v", i, err)
	}
	if err := l.Arrived(t.Context(), i); err != nil {
		t.Error(err)
	}
	if n, err := l.Tested(t.Context(), i); err != nil || n.Person != "keeper" || n.ArrivedBy != "Keeper" {
		t.Errorf("%+v, %v", n, err)
	}
}
