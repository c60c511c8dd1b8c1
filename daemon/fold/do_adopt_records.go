package fold

import (
	"context"
	"errors"
	"time"

	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
)

// AdoptRecords says that the records are the right ones as they are, with what
// cannot be read of them.
type AdoptRecords struct {
	Who string `json:"who"`
}

// Kind names the command in the journal.
func (AdoptRecords) Kind() string { return "adopt-records" }

func (a AdoptRecords) who() string { return a.Who }

func (a AdoptRecords) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	parts := &f.own.parts
	found := records.Trouble{Damage: parts.Damage.Problem, Doubt: parts.Doubt.Problem}
	switch {
	case a.Who == "":
		return nil, errors.New("adopting the records needs the name of who decided it")
	case found == records.Trouble{}:
		return nil, errors.New("nothing of the records is doubted or damaged that nobody has taken note of")
	}
	return func() error {
		f.own.adopted = found
		parts.Damage, parts.Doubt = snapshot.PartTrouble{}, snapshot.PartTrouble{}
		f.out.batch.Adopt = true
		return f.watch.itself()
	}, nil
}
