package simulate

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"rearguard/cmd/prove/simulate/files"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/records"
)

// disk holds the records of a run. It fails when it is told to, and keeps what
// a power cut leaves.
type disk struct {
	run     *run
	folder  string
	failing bool
	// cut, if set, is where in the next commit the process is killed.
	cut cut
	// walBefore and walAfter are the sizes of the log around the commit in
	// which the process was killed.
	walBefore, walAfter int64
}

// cut is a place in a commit.
type cut int

const (
	noCut cut = iota
	beforeCommit
	withinCommit
	afterCommit
)

var (
	errDisk   = errors.New("no space left on device")
	errKilled = errors.New("killed")
)

func (d *disk) path() string { return filepath.Join(d.folder, "records.db") }

// begin puts the empty records there that every run begins with.
func (d *disk) begin(template []byte) error { return os.WriteFile(d.path(), template, 0o600) }

// emptyRecords are the bytes of new records.
func emptyRecords(ctx context.Context, folder string) ([]byte, error) {
	path := filepath.Join(folder, "empty.db")
	store, err := records.Open(ctx, path, records.Options{})
	if err != nil {
		return nil, err
	}
	if err := store.Close(); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
}

// fault is why nothing can be written, nil where it can.
func (d *disk) fault() error {
	if d.failing {
		return errDisk
	}
	return nil
}

// commit writes as the disk lets it.
func (d *disk) commit(ctx context.Context, batches ...*records.Batch) error {
	if err := d.fault(); err != nil {
		return err
	}
	if d.cut == noCut {
		return d.run.process.store.Commit(ctx, batches...)
	}
	if d.cut == beforeCommit {
		return errKilled
	}
	d.walBefore = files.LogSize(d.path())
	err := d.run.process.store.Commit(ctx, batches...)
	d.walAfter = files.LogSize(d.path())
	if err != nil {
		return err
	}
	return errKilled
}

// powerCut gives what a kill leaves of the files, with the log torn within the
// last commit if the kill fell into it.
func (d *disk) powerCut() (files.Image, error) {
	left, err := files.Take(d.path())
	if d.cut == withinCommit {
		left.Tear(d.walBefore, d.walAfter, func(places int) int { return d.run.Below(places, world.ForTear, d.run.now, 0) })
	}
	d.cut, d.walBefore, d.walAfter = noCut, 0, 0
	return left, err
}
