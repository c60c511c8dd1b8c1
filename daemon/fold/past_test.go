package fold

import (
	"context"
	"errors"
	"testing"
	"time"

	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// errNoDisk is why a failing past cannot be read.
var errNoDisk = errors.New("no disk")

// failing is a past that cannot be read for some calls. What it yields before
// it fails is what a disk that goes away in the midst of reading gives.
type failing struct {
	past.Past
	// calls counts all calls, fails says which of them, from 1, come to
	// nothing; nil for none.
	calls int
	fails func(call int) bool
	// before, if set, is called ahead of each call.
	before func()
}

func (p *failing) call() error {
	if p.before != nil {
		p.before()
	}
	p.calls++
	if p.fails != nil && p.fails(p.calls) {
		return errNoDisk
	}
	return nil
}

func (p *failing) Has(ctx context.Context, series sensors.Series, at time.Time) (bool, error) {
	if err := p.call(); err != nil {
		return false, err
	}
	return p.Past.Has(ctx, series, at)
}

func (p *failing) Temperatures(ctx context.Context, ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error {
	failed := p.call()
	if err := p.Past.Temperatures(ctx, ids, from, to, yield); err != nil {
		return err
	}
	return failed
}

func (p *failing) Mark(ctx context.Context, room sensors.RoomID, t time.Time) (roomair.Mark, bool, error) {
	if err := p.call(); err != nil {
		return roomair.Mark{}, false, err
	}
	return p.Past.Mark(ctx, room, t)
}

// always is for a past that cannot be read at all.
func always(int) bool { return true }

// lived is a fold whose past is what it has taken, unless that cannot be read.
type lived struct {
	*Fold
	t    testing.TB
	past failing
	kept past.Memory
	// batch is the one being filled, seen how many of its readings are kept.
	batch *records.Batch
	seen  int
}

func newLived(t testing.TB, o Options) *lived {
	t.Helper()
	l := &lived{t: t}
	l.past.Past, l.past.before = &l.kept, l.see
	var err error
	if l.Fold, err = New(o, &l.past); err != nil {
		t.Fatal(err)
	}
	l.keep(l.Resume(t.Context(), testStart))
	return l
}

// see takes over what was taken up to now, which is past at once.
func (l *lived) see() {
	if batch := l.Untaken(); batch != l.batch {
		l.batch, l.seen = batch, 0
	}
	l.kept.Add(l.batch.Readings[l.seen:])
	l.seen = len(l.batch.Readings)
}

// keep ends a step.
func (l *lived) keep(err error) {
	l.t.Helper()
	if err != nil {
		l.t.Fatal(err)
	}
	l.see()
	if _, err := l.TakeBatch(); err != nil {
		l.t.Fatal(err)
	}
}

func (l *lived) messages(list ...sensors.Message) {
	l.t.Helper()
	for _, m := range list {
		l.Admit(m)
	}
	l.keep(l.Handle(l.t.Context()))
}

// tick lets time pass, and takes up what was held back, as the engine does.
func (l *lived) tick(now time.Time) {
	l.t.Helper()
	l.keep(l.AdvanceTo(l.t.Context(), now))
	if _, held := l.PutOff(); held > 0 {
		l.keep(l.Handle(l.t.Context()))
	}
}

func (l *lived) do(c Command) {
	l.t.Helper()
	l.keep(l.Do(l.t.Context(), c))
}
