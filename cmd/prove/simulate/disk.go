package simulate

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"rearguard/daemon/records"
)

// disk holds the records of a run. It fails when it is told to, and keeps what
// a power cut leaves.
type disk struct {
	run    *run
	folder string
	// generation counts the power cuts: each leaves a new file.
	generation int
	failing    bool
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

func (d *disk) path() string {
	return filepath.Join(d.folder, fmt.Sprintf("records-%d.db", d.generation))
}

func (d *disk) walSize() int64 {
	info, err := os.Stat(d.path() + "-wal")
	if err != nil {
		return 0
	}
	return info.Size()
}

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

// commit writes as the disk lets it.
func (d *disk) commit(ctx context.Context, batches ...*records.Batch) error {
	if d.failing {
		return errDisk
	}
	if d.cut == noCut {
		return d.run.process.store.Commit(ctx, batches...)
	}
	if d.cut == beforeCommit {
		return errKilled
	}
	d.walBefore = d.walSize()
	err := d.run.process.store.Commit(ctx, batches...)
	d.walAfter = d.walSize()
	if err != nil {
		return err
	}
	return errKilled
}

// powerCut leaves the files as they are now under a new name, as a kill leaves
// them, with the log torn within the last commit if the kill fell into it.
// The store that had them open is to be closed afterwards.
func (d *disk) powerCut() error {
	old := d.path()
	d.generation++
	for _, suffix := range []string{"", "-wal"} {
		body, err := os.ReadFile(old + suffix)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if suffix != "" && d.cut == withinCommit && d.walAfter > d.walBefore && int64(len(body)) >= d.walAfter {
			torn := d.walBefore + int64(d.run.below(int(d.walAfter-d.walBefore), forTear, d.run.now, 0))
			body = body[:torn]
		}
		if err := os.WriteFile(d.path()+suffix, body, 0o600); err != nil {
			return err
		}
	}
	d.cut, d.walBefore, d.walAfter = noCut, 0, 0
	return nil
}

// tidy removes what a power cut left behind.
func (d *disk) tidy() error {
	old := filepath.Join(d.folder, fmt.Sprintf("records-%d.db", d.generation-1))
	for _, suffix := range []string{"", "-wal", "-shm", ".lock"} {
		if err := os.Remove(old + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}
