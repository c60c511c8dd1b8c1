package files

import (
	"context"
	"maps"
	"os"

	"rearguard/daemon/records"
	"rearguard/daemon/records/disk"
)

// Kept is what there is of the records beside them.
type Kept struct {
	// Note is what the broker keeps of them, Copy their files as they once were.
	Note disk.Last
	Copy Image
}

// Tend looks after the records, as the service does. The broker is given the
// note of them where it can be reached, and a copy is made where one is due.
func (k *Kept) Tend(ctx context.Context, s *records.Store, connected, copyDue bool) error {
	if err := s.Tend(ctx); err != nil {
		return err
	}
	if last, sound := s.Noted(); sound && connected {
		k.Note = last
	}
	if k.Copy != nil || !copyDue {
		return nil
	}
	copied, err := Take(s.Path())
	k.Copy = copied
	return err
}

// Find compares the records with the note that the broker has retained, as the
// service does upon a subscription.
func (k *Kept) Find(ctx context.Context, s *records.Store) error {
	if k.Note.ID == "" {
		return nil
	}
	return s.Compare(ctx, k.Note)
}

// Lose takes the records away, in one of three ways: their file alone, the
// whole disk, or all that came after a copy. Nobody may have them open.
func (k *Kept) Lose(path string, way int) (words string, err error) {
	switch way % 3 {
	case 1:
		if k.Note.ID != "" {
			return "the disk of the records is lost", Replace(path, Image{})
		}
	case 2:
		if k.Copy != nil {
			return "the records are replaced by an old copy", exchange(path, k.Copy)
		}
	}
	return "the records are deleted", exchange(path, Image{})
}

// exchange puts other files in the place of the records, and leaves the note
// that lies beside them.
func exchange(path string, with Image) error {
	next := maps.Clone(with)
	note, err := os.ReadFile(path + ".last")
	if err != nil {
		return err
	}
	next[".last"] = note
	return Replace(path, next)
}
