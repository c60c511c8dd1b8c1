//go:build unix

package records

import "os"

// syncPath waits until a file, or the names in a folder, are on disk.
func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // it was not written to
	return f.Sync()
}
