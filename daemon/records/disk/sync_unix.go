//go:build unix

package disk

import "os"

// Sync waits until a file, or the names in a folder, are on disk.
func Sync(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // it was not written to
	return f.Sync()
}
