package facility_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
)

func TestScheduleOfDrills(t *testing.T) {
	madrid, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	monthly := facility.Drills{Every: facility.Monthly, Day: 1, At: "10:00"}
	weekly := facility.Drills{Every: facility.Weekly, Day: 3, At: "09:30"}
	quarterly := facility.Drills{Every: facility.Quarterly, Day: 15, At: "02:30"}
	for _, tt := range []struct {
		name         string
		drills       facility.Drills
		now          string
		starts, next string
	}{
		{"the day before", monthly, "2026-05-31 10:00", "", "2026-06-01 10:00"},
		{"just before", monthly, "2026-06-01 09:59", "", "2026-06-01 10:00"},
		{"in time", monthly, "2026-06-01 10:00", "2026-06", "2026-07-01 10:00"},
		{"within the hour", monthly, "2026-06-01 10:59", "2026-06", "2026-07-01 10:00"},
		{"started at night", monthly, "2026-06-02 03:00", "", "2026-07-01 10:00"},
		{"made up for on the next day", monthly, "2026-06-02 10:20", "2026-06", "2026-07-01 10:00"},
		{"made up for on the seventh day", monthly, "2026-06-07 10:20", "2026-06", "2026-07-01 10:00"},
		{"too late to make up for", monthly, "2026-06-08 10:20", "", "2026-07-01 10:00"},
		{"over the turn of a year", monthly, "2026-12-02 00:00", "", "2027-01-01 10:00"},
		{"a week", weekly, "2026-05-13 09:30", "2026-W20", "2026-05-20 09:30"},
		{"a week, the day before", weekly, "2026-05-12 09:30", "", "2026-05-13 09:30"},
		{"a week, made up for", weekly, "2026-05-17 09:40", "2026-W20", "2026-05-20 09:30"},
		{"a week of two years", weekly, "2026-12-30 09:30", "2026-W53", "2027-01-06 09:30"},
		{"a week over the turn of a year", weekly, "2027-01-02 09:30", "2026-W53", "2027-01-06 09:30"},
		{"a quarter", quarterly, "2026-07-15 02:31", "2026-Q3", "2026-10-15 02:30"},
		{"the last of a quarter", quarterly, "2026-12-31 02:31", "", "2027-01-15 02:30"},
		// The clocks go forward at 02:00 on 29 March.
		{"a time that there is not", facility.Drills{Every: facility.Weekly, Day: 7, At: "02:30"}, "2026-03-29 03:30", "2026-W13", "2026-04-05 02:30"},
		{"never", facility.Drills{}, "2026-06-01 10:00", "", ""},
	} {
		now, err := time.ParseInLocation("2006-01-02 15:04", tt.now, madrid)
		if err != nil {
			t.Fatal(err)
		}
		next := ""
		if at := tt.drills.Next(now, madrid); !at.IsZero() {
			next = at.Format("2006-01-02 15:04")
		}
		if starts := tt.drills.Starts(now.UTC(), madrid); starts != tt.starts || next != tt.next {
			t.Errorf("%s: starts %q, next %q; want %q, %q", tt.name, starts, next, tt.starts, tt.next)
		}
	}
}

// Whenever the daemon looks, no period has drills on more than one name, and the
// next drill lies ahead by no more than a period.
func TestScheduleOfDrillsHolds(t *testing.T) {
	madrid, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		d := facility.Drills{
			Every: rapid.SampledFrom([]facility.DrillPeriod{facility.Weekly, facility.Monthly, facility.Quarterly}).Draw(t, "every"),
			Day:   rapid.IntRange(1, 7).Draw(t, "day"), At: fmt.Sprintf("%02d:%02d", rapid.IntRange(0, 22).Draw(t, "hour"), rapid.IntRange(0, 59).Draw(t, "minute")),
		}
		now := time.Unix(rapid.Int64Range(1.7e9, 1.9e9).Draw(t, "now"), 0)
		next := d.Next(now, madrid)
		if ahead := next.Sub(now); ahead <= 0 || ahead > 93*24*time.Hour {
			t.Fatalf("the next is %v ahead", ahead)
		}
		first := d.Starts(next, madrid)
		if first == "" || d.Starts(next.Add(time.Minute), madrid) != first || d.Starts(d.Next(next, madrid), madrid) == first {
			t.Fatalf("at %v: %q", next, first)
		}
	})
}

func TestDrillsAreOverdue(t *testing.T) {
	now := time.Date(2026, 6, 1, 10, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		every facility.DrillPeriod
		days  int
		want  bool
	}{
		{facility.Monthly, 38, false}, {facility.Monthly, 39, true}, {facility.Weekly, 14, false}, {facility.Weekly, 15, true},
		{facility.Quarterly, 99, false}, {facility.Quarterly, 100, true}, {"", 4000, false},
	} {
		if got := (facility.Drills{Every: tt.every}).Overdue(now.AddDate(0, 0, -tt.days), now); got != tt.want {
			t.Errorf("%s after %d days: %v", tt.every, tt.days, got)
		}
	}
	if !(facility.Drills{Every: facility.Monthly}).Overdue(time.Time{}, now) || (facility.Drills{}).Overdue(time.Time{}, now) {
		t.Error("a drill that never was is overdue just where drills are wanted")
	}
}

func TestEachFaultOfDrillsAndLinksIsFound(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		line       int
		problem    string
		advice     string
	}{
		{"day without every", base + "drills: {day: 3}\n", 6, "day without every", "every: monthly"},
		{"at without every", base + "drills: {at: \"10:00\"}\n", 6, "at without every", "by hand only"},
		{"unknown period", base + "drills: {every: daily}\n", 6, "daily", "monthly"},
		{"no day of a week", base + "drills: {every: weekly, day: 8}\n", 6, "8 is no day of a week", "7 for Sunday"},
		{"not a day", base + "drills: {every: monthly, day: 31}\n", 6, "31", "28"},
		{"not a time", base + "drills: {every: monthly, at: \"10 am\"}\n", 6, "not a time of day", "\"10:00\""},
		{"key without address", base + "web: {link_key_file: k}\n", 6, "without an address", "add public_url"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := facility.Parse("x.yaml", []byte(tt.text))
			var faults strict.Faults
			if !errors.As(err, &faults) || len(faults) != 1 {
				t.Fatalf("error = %v, want one fault", err)
			}
			if f := faults[0]; f.Line != tt.line || !strings.Contains(f.Problem, tt.problem) || !strings.Contains(f.Advice, tt.advice) {
				t.Errorf("want line %d with %q, advice %q; got\n%v", tt.line, tt.problem, tt.advice, err)
			}
		})
	}
	f, err := facility.Parse("x.yaml", []byte(base+"drills: {every: weekly}\n"))
	if err != nil || f.Drills != (facility.Drills{Every: facility.Weekly, Day: 1, At: "10:00"}) {
		t.Errorf("%+v, %v", f, err)
	}
}

// The key of links may be missing, since it is made then; one that cannot be
// used is told.
func TestLoadChecksTheKeyOfLinks(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "facility.yaml")
	if err := os.WriteFile(filepath.Join(folder, "bad.key"), []byte("hello"), 0o600); err != nil {
		t.Fatal(err)
	}
	for key, problem := range map[string]string{
		"links.key": "", "bad.key": "bad.key holds no 32 octets", ".": "is not a file", "none/links.key": "there is no folder",
	} {
		text := base + fmt.Sprintf("web: {public_url: \"https://moths.example.org\", link_key_file: %s}\n", key)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := facility.Load(path)
		if problem != "" {
			if err == nil || !strings.Contains(err.Error(), problem) || !strings.Contains(err.Error(), ":6:") || strings.Contains(err.Error(), "hello") {
				t.Errorf("%s: %v, want %q", key, err, problem)
			}
			continue
		}
		if err != nil || f.Web.LinkKeyFile != filepath.Join(folder, key) {
			t.Errorf("%s: %+v, %v", key, f, err)
			continue
		}
		if _, err := os.Stat(f.Web.LinkKeyFile); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("to look at the file made the key: %v", err)
		}
	}
}
