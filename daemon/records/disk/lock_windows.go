package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// Lock takes the exclusive lock on f without waiting. The system lets it
// go when the process ends, however it ends. The locked byte lies far behind
// the text, so that others can read who holds the lock.
func Lock(f *os.File) error {
	at := &windows.Overlapped{OffsetHigh: 1}
	err := windows.LockFileEx(windows.Handle(f.Fd()),
		windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrHeld
	}
	return err
}
