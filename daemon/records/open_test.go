package records

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records/migrations"
	"rearguard/sensors"
)

// execFile runs SQL on a file without anything of a Store.
func execFile(t *testing.T, path string, texts ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, text := range texts {
		if _, err := db.Exec(text); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOlderFileIsBroughtUpToDate(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "records.db")
	texts, err := migrations.Texts()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := os.ReadFile("testdata/version1.sql")
	if err != nil {
		t.Fatal(err)
	}
	execFile(t, path, texts[0], string(rows), fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = 1", migrations.ApplicationID))
	if _, err := OpenReader(ctx, path); !errors.Is(err, ErrOlder) || !strings.Contains(err.Error(), path) {
		t.Errorf("a reader of the older file: %v, want ErrOlder with the path", err)
	}
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	humid := reading("a", sensors.RelativeHumidity, day0, day0.Add(500*time.Millisecond), 68, 68)
	humid.Flag = sensors.Suspect
	want := []sensors.Reading{reading("a", sensors.Temperature, day0, day0.Add(500*time.Millisecond), 27.25, 27.5), humid}
	if d := cmp.Diff(want, scanAll(t, s.Reader, day0, day0.Add(time.Hour))); d != "" {
		t.Errorf("readings (-want +got):\n%s", d)
	}
	cohorts, err := s.LoadCohorts(ctx)
	if err != nil || len(cohorts) != 1 || cohorts[0].ID != population.CohortID("atlas-3") || !cohorts[0].Start.Equal(day0) {
		t.Errorf("cohorts: %+v, %v", cohorts, err)
	}
	marks, err := s.LoadMarks(ctx)
	if d := cmp.Diff(Marks{Clock: day0, Journal: 1}, marks); err != nil || d != "" {
		t.Errorf("marks: %v (-want +got):\n%s", err, d)
	}
	if err := s.Commit(ctx, &Batch{Calibrations: []Calibration{{Series: humid.Series, From: day0, Gain: 1, Offset: -2}}}); err != nil {
		t.Error(err)
	}
}

func TestUnusableFiles(t *testing.T) {
	ctx := context.Background()
	garbage := bytes.Repeat([]byte("no database at all. "), 1000)
	for name, c := range map[string]struct {
		prepare func(t *testing.T, path string)
		want    error
	}{
		"garbage": {func(t *testing.T, path string) {
			if err := os.WriteFile(path, garbage, 0o644); err != nil {
				t.Fatal(err)
			}
		}, ErrCorrupt},
		"damaged pages": {func(t *testing.T, path string) {
			s, err := Open(ctx, path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			// The header is left whole.
			copy(b[100:], garbage)
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}, ErrCorrupt},
		"newer schema": {func(t *testing.T, path string) {
			s, err := Open(ctx, path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			execFile(t, path, "PRAGMA user_version = 99")
		}, ErrNewer},
		"database of something else": {func(t *testing.T, path string) {
			execFile(t, path, "CREATE TABLE t (x)")
		}, ErrForeign},
		"folder": {func(t *testing.T, path string) {
			if err := os.Mkdir(path, 0o755); err != nil {
				t.Fatal(err)
			}
		}, ErrForeign},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "records.db")
			c.prepare(t, path)
			before, _ := os.ReadFile(path)
			_, err := Open(ctx, path, Options{})
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), path) {
				t.Errorf("Open: %v, want %v and the path", err, c.want)
			}
			_, err = OpenReader(ctx, path)
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), path) {
				t.Errorf("OpenReader: %v, want %v and the path", err, c.want)
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
				t.Error("the file was changed")
			}
			// A failed Open lets the lock go: the same failure comes again.
			if _, err := Open(ctx, path, Options{}); !errors.Is(err, c.want) {
				t.Errorf("second Open: %v, want %v", err, c.want)
			}
		})
	}
	if _, err := OpenReader(ctx, filepath.Join(t.TempDir(), "none.db")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("reader of no file: %v, want ErrNotExist", err)
	}
	if _, err := Open(ctx, filepath.Join(t.TempDir(), "no", "folder.db"), Options{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no folder: %v, want ErrNotExist", err)
	}
	if _, err := Open(ctx, filepath.Join(t.TempDir(), "x.db"), Options{Synchronous: "SOMETIMES"}); err == nil {
		t.Error("an unknown setting was taken")
	}
	empty := filepath.Join(t.TempDir(), "empty.db")
	if err := os.WriteFile(empty, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	s, err := Open(ctx, empty, Options{})
	if err != nil {
		t.Fatalf("an empty file is a new one: %v", err)
	}
	s.Close()
}

func TestKindsOfFailure(t *testing.T) {
	for cause, want := range map[error]error{
		syscall.EROFS:  ErrReadOnly,
		syscall.EACCES: ErrReadOnly,
		syscall.ENOSPC: ErrFull,
		syscall.EDQUOT: ErrFull,
	} {
		err := describe("/there/records.db", &fs.PathError{Op: "open", Path: "/there/records.db.lock", Err: cause})
		if !errors.Is(err, want) || !errors.Is(err, cause) || !strings.Contains(err.Error(), advice(want)) {
			t.Errorf("%v: %v, want %v", cause, err, want)
		}
	}
	if err := errors.New("other"); describe("p", err) != err { //nolint:errorlint // the very same error
		t.Error("an error of no kind was changed")
	}
	once := describe("p", syscall.ENOSPC)
	if twice := describe("q", fmt.Errorf("deeper: %w", once)); strings.Count(twice.Error(), ErrFull.Error()) != 1 {
		t.Errorf("described twice: %v", twice)
	}
}
