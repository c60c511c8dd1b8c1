package service

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"rearguard/daemon/records"
	"rearguard/daemon/records/disk"
)

// tendEvery is how often the file of the records is looked after, and at most
// how much of the newest history can go unnoticed when its log is lost.
const tendEvery = time.Minute

// openRecords opens the records.
func (s *service) openRecords(ctx context.Context) (err error) {
	s.store, err = records.Open(ctx, s.Facility.Records.Path, records.Options{
		Synchronous: records.Synchronous(strings.ToUpper(string(s.Facility.Records.Synchronous))),
	})
	if errors.Is(err, records.ErrCorrupt) {
		switch were, unread := disk.WereRecords(s.Facility.Records.Path); {
		case unread != nil:
			return errors.Join(err, unread)
		case were:
			return s.beginAnew(ctx, err)
		}
	}
	if err != nil {
		return err
	}
	if s.store.New() {
		s.Logger.Info("the records are new", "path", s.store.Path())
	}
	if t := s.store.Trouble(); t.Doubt != "" {
		s.Logger.Error("the records may not be the right ones", "reason", t.Doubt)
	}
	return nil
}

// beginAnew sets records that cannot be used aside and begins new ones in their
// place. Without cohorts little can be watched, but without a daemon nothing
// is, and nobody hears of it: now an alarm tells them.
func (s *service) beginAnew(ctx context.Context, why error) error {
	path := s.Facility.Records.Path
	aside, err := disk.SetAside(path, "damaged-"+s.Clocks().Wall.UTC().Format("20060102T150405Z"))
	if err != nil {
		return errors.Join(why, err)
	}
	s.Logger.Error("the records cannot be used; they are set aside and new ones begun", "error", why, "aside", aside)
	if err := s.openRecords(ctx); err != nil {
		return err
	}
	return s.store.Doubt(ctx, fmt.Sprintf("the records could not be used and were set aside as %s, and new ones were begun: restore the newest backup to %s, or adopt the new ones (%v)",
		aside, s.store.Path(), why))
}

// buildOn is build on records that may turn out damaged when the state is
// restored from them.
func (s *service) buildOn(ctx, hard context.Context) error {
	err := s.build(hard)
	if !errors.Is(err, records.ErrCorrupt) {
		return err
	}
	if closing := s.store.Close(); closing != nil {
		s.Logger.Error("the damaged records could not be closed in good order", "error", closing)
	}
	if err := s.beginAnew(ctx, err); err != nil {
		return err
	}
	return s.build(hard)
}

// tendRecords looks after the file of the records until ctx ends.
func (s *service) tendRecords(ctx context.Context) {
	ticker := time.NewTicker(tendEvery)
	defer ticker.Stop()
	for {
		if err := s.store.Tend(ctx); err != nil && ctx.Err() == nil {
			s.Logger.Warn("the file of the records could not be looked after; it will be tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
