// Package failure tells the kinds in which the records can fail, each with
// what to do about it.
package failure

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Kinds of failure on which a caller may branch. Every error of this package
// that has one of these causes wraps it, names the file and says what to do.
var (
	// ErrLocked means that another process has the records open for writing.
	ErrLocked = errors.New("records are in use by another process")
	// ErrReadOnly means that the file or its folder cannot be written.
	ErrReadOnly = errors.New("records cannot be written")
	// ErrFull means that the disk is full or the file may not grow.
	ErrFull = errors.New("no room to write records")
	// ErrCorrupt means that the file is damaged.
	ErrCorrupt = errors.New("records are damaged")
	// ErrForeign means that the file is a database of something else.
	ErrForeign = errors.New("not a records file")
	// ErrNewer means that a newer version of rearguard wrote the file.
	ErrNewer = errors.New("records were written by a newer version")
	// ErrOlder means that the file must first be brought up to date.
	ErrOlder = errors.New("records were written by an older version")
	// ErrNotFound means that the named row is not there.
	ErrNotFound = errors.New("not in the records")
	// ErrClosed means that the Store was closed.
	ErrClosed = errors.New("records are closed")
)

// Advice says what a person can do about a failure that the operating system
// or SQLite reports.
func Advice(kind error) string {
	switch kind {
	case ErrReadOnly: //nolint:errorlint // one of the kinds above, never wrapped
		return "make the file and its folder writable for the user that runs rearguard, on a disk that is not mounted read-only"
	case ErrFull:
		return "free some space on the disk or raise the file size limit (if there is room, the disk is failing: see the system log); nothing stored so far is lost"
	case ErrCorrupt:
		return "stop rearguard, keep the file, and put the newest backup in its place"
	case ErrLocked:
		return "stop the other instance, or give this one its own file"
	}
	return ""
}

// fileError is a failure of SQLite or of the file system with the name of the
// records, its kind, if it has one, and what to do.
type fileError struct {
	path      string
	kind, err error
}

func (e *fileError) Error() string {
	if e.kind == nil {
		return fmt.Sprintf("records %s: %v", e.path, e.err)
	}
	return fmt.Sprintf("%v: %s (%s): %v", e.kind, e.path, Advice(e.kind), e.err)
}

func (e *fileError) Unwrap() []error {
	if e.kind == nil {
		return []error{e.err}
	}
	return []error{e.kind, e.err}
}

// Describe turns an error of SQLite or of the file system into a fileError;
// it leaves other errors as they are.
func Describe(path string, err error) error {
	var known *fileError
	if err == nil || errors.As(err, &known) {
		return err
	}
	var e *sqlite.Error
	kind := classify(err)
	if kind == nil && !errors.As(err, &e) {
		return err
	}
	return &fileError{path, kind, err}
}

func classify(err error) error {
	switch {
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return ErrReadOnly
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, syscall.EFBIG):
		return ErrFull
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return nil
	}
	switch code := e.Code(); code & 0xff {
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return ErrReadOnly
	case sqlite3.SQLITE_FULL:
		return ErrFull
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return ErrCorrupt
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return ErrLocked
	case sqlite3.SQLITE_IOERR:
		// A limit on the size of files shows as a failed write.
		if code == sqlite3.SQLITE_IOERR_WRITE {
			return ErrFull
		}
	}
	return nil
}
