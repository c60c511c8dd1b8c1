package simulate

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

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

// image are the files of the records, by what follows their name.
type image map[string][]byte

// powerCut gives what a kill leaves of the files, with the log torn within the
// last commit if the kill fell into it.
func (d *disk) powerCut() (image, error) {
	left := image{}
	for _, suffix := range []string{"", "-wal", ".last"} {
		body, err := os.ReadFile(d.path() + suffix)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if suffix == "-wal" && d.cut == withinCommit && d.walAfter > d.walBefore && int64(len(body)) >= d.walAfter {
			body = body[:d.walBefore+int64(d.run.Below(int(d.walAfter-d.walBefore), world.ForTear, d.run.now, 0))]
		}
		left[suffix] = body
	}
	d.cut, d.walBefore, d.walAfter = noCut, 0, 0
	return left, nil
}

// replace puts an image in the place of the files. Nobody may have them open.
func (d *disk) replace(with image) error {
	for _, suffix := range []string{"", "-wal", "-shm", ".last"} {
		if err := os.Remove(d.path() + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if body, kept := with[suffix]; kept {
			if err := os.WriteFile(d.path()+suffix, body, 0o600); err != nil {
				return err
			}
		}
	}
	return nil
}

// zstdMagic begins every packed day.
var zstdMagic = []byte{0x28, 0xb5, 0x2f, 0xfd}

// damage spoils one of the packed days in the file, which nobody may have
// open; false when there is none.
func (d *disk) damage(which int) (bool, error) {
	body, err := os.ReadFile(d.path())
	if err != nil {
		return false, err
	}
	if n := bytes.Count(body, zstdMagic); n > 0 {
		at := 0
		for range which%n + 1 {
			at += bytes.Index(body[at:], zstdMagic) + len(zstdMagic)
		}
		for i := at; i < min(at+12, len(body)); i++ {
			body[i] ^= 0xa5
		}
		return true, os.WriteFile(d.path(), body, 0o600)
	}
	return false, nil
}
