// Package disk does to the files of the records what SQLite does not: it locks
// them, sets them aside, and notes beside them how far they had come.
package disk

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// ErrHeld means that another process holds the lock.
var ErrHeld = errors.New("locked by another process")

// Last is how far records had come when it was last noted. It lies in a small
// file beside them and with the broker, so that records which are new, others,
// or older than last time are told from those that were there.
type Last struct {
	// ID is the identity of the file, Commits how often it had been committed
	// to, Clock the time of the engine at the last of these.
	ID      string    `json:"id"`
	Commits int64     `json:"commits"`
	Clock   time.Time `json:"clock,omitzero"`
}

// lastName is the file beside the records at path.
func lastName(path string) string { return path + ".last" }

// ReadLast reads what was noted beside the records at path; it fails with
// fs.ErrNotExist when nothing was.
func ReadLast(path string) (Last, error) {
	body, err := os.ReadFile(lastName(path))
	if err != nil {
		return Last{}, err
	}
	l, err := ParseLast(body)
	if err != nil {
		return Last{}, fmt.Errorf("%s: %w", lastName(path), err)
	}
	return l, nil
}

// ParseLast reads what Text wrote.
func ParseLast(body []byte) (Last, error) {
	var l Last
	err := json.Unmarshal(body, &l)
	if err == nil && l.ID == "" {
		err = errors.New("no id")
	}
	if err != nil {
		return Last{}, fmt.Errorf("it says nothing that can be used, and is written anew: %w", err)
	}
	return l, nil
}

// Text is l as it is kept.
func (l Last) Text() ([]byte, error) { return json.Marshal(l) }

// WriteLast notes l beside the records at path: after a loss of power the file
// says this or what it said before.
func WriteLast(path string, l Last) error {
	body, err := l.Text()
	if err != nil {
		return err
	}
	part := lastName(path) + ".part"
	if err := os.WriteFile(part, append(body, '\n'), 0o644); err != nil {
		return err
	}
	if err := Sync(part); err != nil {
		return err
	}
	if err := os.Rename(part, lastName(path)); err != nil {
		return err
	}
	return Sync(filepath.Dir(path))
}

// lossSpan is how much of the newest history may be missing after a loss of
// power when commits do not wait for the disk.
const lossSpan = 2 * time.Minute

// Doubt says why records may not be those that were there last time. Lossy
// ones may lack the last moments after a loss of power.
func Doubt(path string, isNew bool, now, last Last, lossy bool) string {
	const minute = "2 January 2006 15:04 UTC"
	advice := fmt.Sprintf("restore the newest backup to %s, or adopt them as they are", path)
	switch {
	case isNew && now.ID != last.ID:
		return fmt.Sprintf("the records at %s were missing or empty and are new, and those kept there until %s are gone: %s",
			path, last.Clock.UTC().Format(minute), advice)
	case now.ID != last.ID:
		return fmt.Sprintf("the records at %s are others than those kept there until %s: %s", path, last.Clock.UTC().Format(minute), advice)
	case now.Commits < last.Commits && (!lossy || last.Clock.Sub(now.Clock) > lossSpan):
		return fmt.Sprintf("the records at %s are older than last time: they end on %s, and once they went on to %s; what came between is missing: %s",
			path, now.Clock.UTC().Format(minute), last.Clock.UTC().Format(minute), advice)
	}
	return ""
}

// sqliteHeader is how every SQLite file begins (SQLite's database file format,
// section 1.3).
const sqliteHeader = "SQLite format 3\x00"

// WereRecords reports whether a file that cannot be used was records once, and
// is not somebody's file that stands under their name: it begins as a database
// does, or a note of what was kept in it lies beside it.
func WereRecords(path string) (bool, error) {
	if _, err := os.Stat(lastName(path)); err == nil {
		return true, nil
	}
	file, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer func() { _ = file.Close() }()
	head := make([]byte, len(sqliteHeader))
	n, err := io.ReadFull(file, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return false, err
	}
	return string(head[:n]) == sqliteHeader, nil
}

// SetAside renames the records at path and what SQLite keeps beside them, and
// gives the new name: theirs with a suffix.
func SetAside(path, suffix string) (string, error) {
	to := path + "." + suffix
	if _, err := os.Lstat(to); err == nil {
		return to, fmt.Errorf("set %s aside: %s: %w", path, to, fs.ErrExist)
	}
	// The log comes first: without its file it would be taken for that of the
	// next one.
	for _, part := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+part, to+part); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return to, fmt.Errorf("set %s aside: %w", path, err)
		}
	}
	return to, Sync(filepath.Dir(path))
}
