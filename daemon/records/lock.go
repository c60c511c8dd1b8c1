package records

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"rearguard/daemon/records/disk"
)

// acquire locks the records at path for this process. The lock is a file of
// its own, since SQLite closes and reopens its files as it likes. The file
// stays when the lock is let go: deleting it would let two processes lock two
// files of the same name.
func acquire(path string) (*os.File, error) {
	name := path + ".lock"
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, describe(path, err)
	}
	if err := disk.Lock(f); err != nil {
		defer func() { _ = f.Close() }() // the lock is what failed
		if !errors.Is(err, disk.ErrHeld) {
			return nil, fmt.Errorf("lock %s: %w", name, err)
		}
		holder := ""
		if b, err := os.ReadFile(name); err == nil && len(b) > 0 {
			holder = ", process " + strings.TrimSpace(string(b))
		}
		return nil, fmt.Errorf("%w: %s%s (%s)", ErrLocked, path, holder, advice(ErrLocked))
	}
	// The process number is only for the message to the next one who tries.
	if err = f.Truncate(0); err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	if err != nil {
		_ = f.Close() // the write is what failed
		return nil, describe(path, err)
	}
	return f, nil
}
