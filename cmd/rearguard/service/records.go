package service

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/daemon/records/disk"
	"rearguard/sensors/broker"
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
	s.logDoubt()
	return nil
}

// logDoubt says why the records are doubted, if they are.
func (s *service) logDoubt() {
	if t := s.store.Trouble(); t.Doubt != "" {
		s.Logger.Error("the records may not be the right ones", "reason", t.Doubt)
	}
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

// tendRecords looks after the file of the records until ctx ends, and keeps the
// note of it at the broker: a disk that is lost takes all with it that lies
// beside the file.
func (s *service) tendRecords(ctx context.Context) {
	wait := time.NewTimer(2 * noteAfter)
	defer wait.Stop()
	for {
		if err := s.store.Tend(ctx); err != nil && ctx.Err() == nil {
			s.Logger.Warn("the file of the records could not be looked after; it will be tried again", "error", err)
		}
		s.leaveNote(ctx)
		select {
		case <-ctx.Done():
			return
		case body := <-s.notes:
			s.compareRecords(ctx, body)
		case <-wait.C:
			wait.Reset(tendEvery)
		}
	}
}

// noteAfter is how long a subscription must stand for what the broker retains to
// have come: only then is it replaced.
const noteAfter = 5 * time.Second

// recordsNote holds the note of the records that was last found at the broker,
// until it is compared with them.
type recordsNote chan []byte

// noteTopic is where the note of the records is kept.
func noteTopic(b facility.Broker) string { return b.AvailabilityTopic + "/records" }

// foundNote takes in the note that the broker had retained.
func (s *service) foundNote(body []byte) {
	select {
	case <-s.notes:
	default:
	}
	select {
	case s.notes <- body:
	default: // a newer one came
	}
}

// compareRecords holds the records against a note of them from the broker.
func (s *service) compareRecords(ctx context.Context, body []byte) {
	found, err := disk.ParseLast(body)
	if err == nil {
		err = s.store.Compare(ctx, found)
	}
	if err != nil && ctx.Err() == nil {
		s.Logger.Warn("the records could not be compared with what the broker keeps of them", "topic", noteTopic(s.Facility.Broker), "error", err)
	}
	s.logDoubt()
}

// leaveNote has the broker keep how far the records have come.
func (s *service) leaveNote(ctx context.Context) {
	link := s.link.State()
	last, sound := s.store.Noted()
	if !sound || !link.Subscribed || s.now().Sub(link.Since) < noteAfter || len(s.notes) > 0 {
		return
	}
	body, err := last.Text()
	if err == nil {
		limited, done := context.WithTimeout(ctx, publishWithin)
		defer done()
		err = s.link.Publish(limited, broker.Publication{Topic: noteTopic(s.Facility.Broker), Payload: body, QoS: 1, Retained: true})
	}
	if err != nil && ctx.Err() == nil {
		s.Logger.Warn("the broker could not be given the note of the records; it will be tried again", "error", err)
	}
}
