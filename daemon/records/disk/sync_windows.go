package disk

import "os"

// Sync waits until a file is on disk. Folders cannot be synced here; the
// file system keeps their names in its own log.
func Sync(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		if info, statErr := os.Stat(path); statErr == nil && info.IsDir() {
			return nil
		}
		return err
	}
	defer f.Close()
	return f.Sync()
}
