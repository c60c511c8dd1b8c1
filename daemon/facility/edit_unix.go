//go:build unix

package facility

import (
	"os"
	"syscall"
)

// keepOwner gives the new file the owner of the old one. Without the right to
// do so the file stays rearguard's own, which it can read as well.
func keepOwner(file *os.File, old os.FileInfo) error {
	stat, ok := old.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	if err := file.Chown(int(stat.Uid), int(stat.Gid)); err != nil && !os.IsPermission(err) {
		return err
	}
	return nil
}

// syncFolder brings the new name of the file onto the disk. The file is
// already in place, so a file system that cannot do this is no failure.
func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return nil //nolint:nilerr // see above
	}
	_ = folder.Sync()
	return folder.Close()
}
