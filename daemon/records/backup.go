package records

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"rearguard/daemon/records/disk"
)

// Backup writes a compact copy of the records to the new file toPath, as they
// stood when it began, while writing goes on. The copy is complete and on
// disk when Backup returns nil; otherwise there is no file at toPath.
func (r *Reader) Backup(ctx context.Context, toPath string) (err error) {
	if _, err := os.Lstat(toPath); err == nil {
		return fmt.Errorf("back up to %s: %w (choose another name or remove it)", toPath, fs.ErrExist)
	}
	part := toPath + ".part"
	// What an interrupted backup left behind would be in the way.
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("back up to %s: %w", toPath, err)
	}
	defer func() {
		if err != nil {
			// The copy is of no use; err says why.
			_ = os.Remove(part)
			err = fmt.Errorf("back up to %s: %w", toPath, describe(toPath, err))
		}
	}()
	c, err := r.db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = c.Close() }() // it goes back to its pool
	// VACUUM INTO writes nothing to the file it copies, but query_only does
	// not know that.
	if _, err := c.ExecContext(ctx, "PRAGMA query_only = 0"); err != nil {
		return err
	}
	_, err = c.ExecContext(ctx, "VACUUM INTO ?", part)
	if _, back := c.ExecContext(context.WithoutCancel(ctx), "PRAGMA query_only = 1"); err == nil {
		err = back
	}
	if err != nil {
		return err
	}
	if err := disk.Sync(part); err != nil {
		return err
	}
	if err := os.Rename(part, toPath); err != nil {
		return err
	}
	return disk.Sync(filepath.Dir(toPath))
}
