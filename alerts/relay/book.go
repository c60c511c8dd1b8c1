package relay

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	// endedFor is how long an alert that is over is sent as such, as long as
	// Prometheus does it.
	endedFor = 15 * time.Minute
	// lapse is after how many intervals without a word an alert ends by itself,
	// so that three words in a row may be lost.
	lapse = 4
)

// Book knows what is on and what has ended lately. It is kept over a restart:
// what ended meanwhile could not be told as ended otherwise. All methods may be
// called from several goroutines.
type Book struct {
	mu sync.Mutex
	// on and ended hold alerts by their identity; EndsAt of those that ended is
	// when that was found.
	on, ended map[string]Alert
	// page counts the changes of what is on.
	page uint64
}

// bookForm is how a book is kept.
type bookForm struct {
	On    []Alert `json:"on"`
	Ended []Alert `json:"ended"`
}

// NewBook returns the book that was kept as a text, an empty one for none.
func NewBook(text []byte) (*Book, error) {
	b := &Book{on: map[string]Alert{}, ended: map[string]Alert{}}
	if len(text) == 0 {
		return b, nil
	}
	var form bookForm
	if err := json.Unmarshal(text, &form); err != nil {
		return b, fmt.Errorf("read what Alertmanagers were told: %w", err)
	}
	for _, a := range form.On {
		b.on[a.identity()] = a
	}
	for _, a := range form.Ended {
		b.ended[a.identity()] = a
	}
	return b, nil
}

// Text is what NewBook reads, and how often what is on has changed by then.
func (b *Book) Text() (text []byte, page uint64, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	text, err = json.Marshal(bookForm{On: ordered(b.on), Ended: ordered(b.ended)})
	return text, b.page, err
}

// Page counts the changes of what is on.
func (b *Book) Page() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.page
}

// Take takes note of all that is on at a time and reports whether something
// began or ended. Of two with the same labels the older counts.
func (b *Book) Take(now time.Time, list []Standing) (changed bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	on := make(map[string]Alert, len(list))
	for i := range list {
		a := list[i].alert()
		id := a.identity()
		if other, twice := on[id]; twice && other.StartsAt.Before(a.StartsAt) {
			continue
		}
		on[id] = a
	}
	for id, a := range b.on {
		if _, still := on[id]; !still {
			a.EndsAt = now.UTC()
			b.ended[id] = a
			changed = true
		}
	}
	for id := range on {
		if _, before := b.on[id]; !before {
			delete(b.ended, id)
			changed = true
		}
	}
	b.on = on
	maps.DeleteFunc(b.ended, func(id string, a Alert) bool {
		if a.EndsAt.After(now) {
			// The clock was set back: what is over must not look as if it were
			// still to end.
			a.EndsAt = now.UTC()
			b.ended[id] = a
		}
		return now.Sub(a.EndsAt) > endedFor
	})
	if changed {
		b.page++
	}
	return changed
}

// Alerts is what an Alertmanager that is told at an interval is to be told now.
func (b *Book) Alerts(now time.Time, interval time.Duration) []Alert {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := append(ordered(b.on), ordered(b.ended)...)
	for i := range list {
		a := &list[i]
		if i < len(b.on) {
			a.EndsAt = now.Add(lapse * interval).UTC()
		} else {
			a.EndsAt = earlier(a.EndsAt, now)
		}
		// One that begins after its end would be refused.
		a.StartsAt = earlier(a.StartsAt, a.EndsAt)
	}
	return list
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b.UTC()
	}
	return a
}

// ordered are alerts in the order of their identities.
func ordered(m map[string]Alert) []Alert {
	list := slices.AppendSeq(make([]Alert, 0, len(m)), maps.Values(m)) // not null, which is no list
	slices.SortFunc(list, func(a, b Alert) int { return strings.Compare(a.identity(), b.identity()) })
	return list
}
