//go:build unix

package disk

import "golang.org/x/sys/unix"

// Free is how many bytes a file in a folder may still grow by.
func Free(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil //nolint:unconvert // narrower on other systems
}
