package circuit

import (
	"testing"
	"time"
)

var begin = time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)

// The third failure in a row opens a channel, one success closes it, and what is
// wrong with one says nothing of another.
func TestFailuresInARowOpenAChannel(t *testing.T) {
	b := New()
	if !b.Took("mail") || b.Took("mail") {
		t.Error("the first success of a channel says how it stands, the next nothing new")
	}
	for i := range 2 {
		b.Failed("mail", begin.Add(time.Duration(i)*time.Second), "refused")
	}
	if b.Open("mail") || !b.Took("mail") || b.Took("mail") {
		t.Error("two failures opened it, or the success after them went unnoticed")
	}
	for i := range 3 {
		b.Failed("mail", begin.Add(time.Duration(i)*time.Minute), "refused")
		b.Failed("pager", begin, "refused")
		b.Took("pager")
	}
	if got := b.States(); len(got) != 1 || got[0] != (State{"mail", 3, begin, begin.Add(2 * time.Minute), "refused"}) {
		t.Errorf("open: %+v", got)
	}
	if !b.Took("mail") || b.Open("mail") {
		t.Error("a success did not close it")
	}
}

// The pause follows how long it has failed, within what the news bears.
func TestPauseGrowsWithinBounds(t *testing.T) {
	for _, tt := range []struct {
		failing time.Duration
		longest time.Duration
		hasty   bool
		want    time.Duration
	}{
		{0, time.Hour, false, 2 * time.Second},
		{time.Minute, time.Hour, false, 15 * time.Second},
		{time.Hour, time.Hour, false, 15 * time.Minute},
		{time.Hour, 5 * time.Minute, false, 5 * time.Minute},
		{240 * time.Hour, time.Hour, false, time.Hour},
		{240 * time.Hour, 5 * time.Minute, true, time.Second},
	} {
		b := New()
		b.Failed("mail", begin, "refused")
		b.Failed("mail", begin, "refused")
		last := begin.Add(tt.failing)
		b.Failed("mail", last, "refused")
		if got := b.Probe("mail", tt.longest, tt.hasty, last).Sub(last); got != tt.want {
			t.Errorf("failing for %v, at most %v: pause %v, want %v", tt.failing, tt.longest, got, tt.want)
		}
		// A clock that was a day ahead when it failed.
		now := last.Add(-24 * time.Hour)
		if got := b.Probe("mail", tt.longest, tt.hasty, now); got.After(now) {
			t.Errorf("failing for %v: waits for a clock that was ahead until %v", tt.failing, got)
		}
	}
}

// Another configuration may have mended what was wrong.
func TestChannelsAreForgotten(t *testing.T) {
	b := New()
	for range OpensAfter {
		b.Failed("mail", begin, "refused")
	}
	b.Forget()
	if b.Open("mail") || len(b.States()) != 0 {
		t.Error("still open")
	}
}
