// Package phones keeps the phones that subscribed to messages, in the file of
// the records. It never sees the address of a phone at its push service or its
// keys: it gets them sealed and hands them on sealed.
//
// What is kept is in memory as well, so that phones are reached while the
// records cannot be read or written.
package phones

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sync"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon/records"
)

const (
	// mostOfOne is how many phones one person may have subscribed, mostInAll
	// how many there may be.
	mostOfOne = 8
	mostInAll = 200
	// removedKept is how many removed phones are remembered as such.
	removedKept = 200
	// nameLimit is in characters.
	nameLimit = 40
)

// Phone is a subscribed phone, or one that was, as people see it.
type Phone struct {
	ID int64
	// Person is the id of the person in the configuration, Name what that
	// person calls the phone.
	Person, Name string
	Since        time.Time
	// TakenAt is when its push service last took a message, FailedAt when it
	// last did not and Failure why; zero for never.
	TakenAt, FailedAt time.Time
	Failure           string
	// TestedAt is when the last test was sent, SeenAt when a test was last
	// tapped; zero for never.
	TestedAt, SeenAt time.Time
	// Gone is set where the push service said that the phone is no longer
	// subscribed: it gets nothing until the page is opened on it.
	Gone bool
}

// Entry is what a phone says to be subscribed.
type Entry struct {
	// Device is a random name that the phone gave itself, by which its next
	// subscription takes the place of this one.
	Device string
	// Person and Name are as of Phone.
	Person, Name string
	// Fingerprint tells the subscription apart from others; Sealed is the
	// subscription itself.
	Fingerprint string
	Sealed      []byte
	// Again is set where the phone speaks by itself since the page was opened on
	// it: one that was removed meanwhile stays so.
	Again bool
}

// Errors on which a caller may branch, as they are shown to people.
var (
	// ErrRemoved says that somebody removed the phone.
	ErrRemoved = errors.New("this phone was removed: subscribe it again if it is to get messages")
	// ErrStale says that the push service has dropped this subscription.
	ErrStale = errors.New("the push service has dropped this subscription: subscribe the phone anew")
	// ErrUnknown says that there is no such phone.
	ErrUnknown = errors.New("there is no such phone: it was removed or subscribed anew")
)

// row is a phone as it is stored.
type row struct {
	Phone
	device, state, fingerprint, test string
	sealed                           []byte
}

// The states of a row.
const (
	subscribed = "subscribed"
	gone       = "gone"
	removed    = "removed"
)

// Book is the phones there are. It is safe for use by several goroutines.
type Book struct {
	store *records.Store

	// changing is held for a whole change, mu for a look at the rows or a change
	// of them in memory only: who sends must not wait for the disk.
	changing sync.Mutex
	mu       sync.Mutex
	rows     []*row
}

// Open reads the phones of the records. Where they are damaged there it begins
// with those that can be read, and the records tell of it.
func Open(ctx context.Context, store *records.Store) (*Book, error) {
	b := &Book{store: store}
	err := store.Read(ctx, func(q records.Querier) error {
		rows, err := q.QueryContext(ctx, `SELECT id, device, person, name, state, coalesce(fingerprint, ''), sealed, since,
			taken_at, failed_at, failure, test, tested_at, seen_at FROM phone ORDER BY id`)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			r := &row{}
			var since, taken, failed, tested, seen sql.NullInt64
			if err := rows.Scan(&r.ID, &r.device, &r.Person, &r.Name, &r.state, &r.fingerprint, &r.sealed, &since,
				&taken, &failed, &r.Failure, &r.test, &tested, &seen); err != nil {
				return err
			}
			r.Gone = r.state == gone
			r.Since, r.TakenAt, r.FailedAt, r.TestedAt, r.SeenAt = records.FromMillis(since), records.FromMillis(taken), records.FromMillis(failed), records.FromMillis(tested), records.FromMillis(seen)
			b.rows = append(b.rows, r)
		}
		return rows.Err()
	})
	if errors.Is(err, records.ErrCorrupt) {
		// The rest of the records may be whole, and is worth more.
		store.NoteDamage("the list of phones (open the page of phones on those that are missing)")
		return b, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the subscribed phones: %w", err)
	}
	return b, nil
}

// Phones are the phones that are or were subscribed and were not removed, in
// the order of their people and then of their names.
func (b *Book) Phones() []Phone {
	b.mu.Lock()
	defer b.mu.Unlock()
	var list []Phone
	for _, r := range b.rows {
		if r.state != removed {
			list = append(list, r.Phone)
		}
	}
	slices.SortStableFunc(list, func(a, b Phone) int {
		return cmp.Or(cmp.Compare(a.Person, b.Person), cmp.Compare(a.Name, b.Name))
	})
	return list
}

// PhonesOf gives the subscribed phones of a person, the oldest first.
func (b *Book) PhonesOf(person string) []notify.Phone {
	b.mu.Lock()
	defer b.mu.Unlock()
	var list []notify.Phone
	for _, r := range b.rows {
		if r.state == subscribed && r.Person == person {
			list = append(list, r.address())
		}
	}
	return list
}

func (r *row) address() notify.Phone { return notify.Phone{ID: r.ID, Name: r.Name, Sealed: r.sealed} }

// devicePattern is that of a name which nobody guesses.
var devicePattern = regexp.MustCompile(`^[A-Za-z0-9_-]{16,64}$`)

// Subscribe enters a phone at a time, in the place of what was entered of the
// same phone. It fails with ErrStale where its push service has dropped the
// subscription, and with ErrRemoved where the phone speaks by itself and was
// removed.
func (b *Book) Subscribe(ctx context.Context, e Entry, now time.Time) error {
	switch {
	case !devicePattern.MatchString(e.Device):
		return errors.New("the phone did not say which one it is: load the page again and subscribe once more")
	case e.Name == "" || len([]rune(e.Name)) > nameLimit:
		return fmt.Errorf("give the phone a name of up to %d characters", nameLimit)
	}
	b.changing.Lock()
	defer b.changing.Unlock()
	old := b.find(func(r *row) bool { return r.device == e.Device })
	same := func(r *row) bool { return r == old || r.fingerprint == e.Fingerprint }
	switch {
	case old != nil && old.state == removed && e.Again:
		return ErrRemoved
	case b.find(func(r *row) bool { return r.state == gone && r.fingerprint == e.Fingerprint }) != nil:
		return ErrStale
	case old != nil && old.says(e):
		return nil
	}
	if err := b.room(e.Person, same); err != nil {
		return err
	}
	next := &row{Phone: Phone{Person: e.Person, Name: e.Name, Since: now}, device: e.Device, state: subscribed, fingerprint: e.Fingerprint, sealed: e.Sealed}
	if old != nil {
		next.ID = old.ID
	}
	if err := b.enter(ctx, next); err != nil {
		return fmt.Errorf("keep the phone: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rows = append(slices.DeleteFunc(b.rows, same), next)
	slices.SortFunc(b.rows, func(x, y *row) int { return cmp.Compare(x.ID, y.ID) })
	return nil
}

// says reports whether the phone only says by itself what is known.
func (r *row) says(e Entry) bool {
	return e.Again && r.state == subscribed && r.fingerprint == e.Fingerprint && r.Person == e.Person && r.Name == e.Name
}

// room returns an error unless there may be one more phone of a person, beside
// those whose place it takes.
func (b *Book) room(person string, replaced func(*row) bool) error {
	inAll, ofOne := 0, 0
	for _, r := range b.rows {
		if r.state == removed || replaced(r) {
			continue
		}
		inAll++
		if r.Person == person {
			ofOne++
		}
	}
	if ofOne >= mostOfOne || inAll >= mostInAll {
		return fmt.Errorf("there are %d phones of one person or %d in all already: remove one that is no longer used", mostOfOne, mostInAll)
	}
	return nil
}

// enter writes a phone, in the place of any with its device or its fingerprint,
// and gives it an id if it has none.
func (b *Book) enter(ctx context.Context, r *row) error {
	return b.store.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
		if _, err := c.ExecContext(ctx, `DELETE FROM phone WHERE device = ? OR fingerprint = ?`, r.device, r.fingerprint); err != nil {
			return err
		}
		var id any
		if r.ID > 0 {
			id = r.ID
		}
		res, err := c.ExecContext(ctx, `INSERT INTO phone (id, device, person, name, state, fingerprint, sealed, since, taken_at, failed_at, failure, test, tested_at, seen_at)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, id, r.device, r.Person, r.Name, r.state, r.fingerprint, r.sealed,
			r.Since.UnixMilli(), records.Millis(r.TakenAt), records.Millis(r.FailedAt), r.Failure, r.test, records.Millis(r.TestedAt), records.Millis(r.SeenAt))
		if err == nil {
			r.ID, err = res.LastInsertId()
		}
		return err
	})
}

// Remove has a phone get nothing any more, until somebody subscribes it again.
func (b *Book) Remove(ctx context.Context, id int64) error {
	b.changing.Lock()
	defer b.changing.Unlock()
	r := b.known(id)
	if r == nil {
		return ErrUnknown
	}
	err := b.store.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
		_, err := c.ExecContext(ctx, `UPDATE phone SET state = 'removed', person = '', name = '', fingerprint = NULL, sealed = NULL, failure = '', test = '' WHERE id = ?`, id)
		if err == nil {
			_, err = c.ExecContext(ctx, `DELETE FROM phone WHERE state = 'removed' AND id NOT IN
				(SELECT id FROM phone WHERE state = 'removed' ORDER BY id DESC LIMIT ?)`, removedKept)
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("remove the phone: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	*r = row{Phone: Phone{ID: id}, device: r.device, state: removed}
	return nil
}

// NotePushed notes what came of messages to phones. It is known at once, also
// where it cannot be recorded.
func (b *Book) NotePushed(ctx context.Context, now time.Time, list []notify.Pushed) error {
	b.changing.Lock()
	defer b.changing.Unlock()
	changed := b.pushed(now, list)
	return b.store.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
		for _, r := range changed {
			if _, err := c.ExecContext(ctx, `UPDATE phone SET state = ?, taken_at = ?, failed_at = ?, failure = ?, sealed = ? WHERE id = ?`,
				r.state, records.Millis(r.TakenAt), records.Millis(r.FailedAt), r.Failure, r.sealed, r.ID); err != nil {
				return err
			}
		}
		return nil
	})
}

// pushed is NotePushed in memory; it returns what it changed.
func (b *Book) pushed(now time.Time, list []notify.Pushed) []*row {
	b.mu.Lock()
	defer b.mu.Unlock()
	var changed []*row
	for _, p := range list {
		// The phone may have subscribed anew while the message was under way.
		r := b.find(func(r *row) bool {
			return r.ID == p.Phone.ID && r.state == subscribed && bytes.Equal(r.sealed, p.Phone.Sealed)
		})
		if r == nil {
			continue
		}
		changed = append(changed, r)
		if p.Failure == "" {
			r.TakenAt = now
			continue
		}
		r.FailedAt, r.Failure = now, p.Failure
		if p.Gone {
			r.state, r.Gone, r.sealed = gone, true, nil
		}
	}
	return changed
}

// BeginTest gives the phone that a test is to be sent to, and the word by which
// its tap is known.
func (b *Book) BeginTest(ctx context.Context, id int64, now time.Time) (phone notify.Phone, word string, err error) {
	b.changing.Lock()
	defer b.changing.Unlock()
	r := b.known(id)
	switch {
	case r == nil:
		return phone, "", ErrUnknown
	case r.state != subscribed:
		return phone, "", errors.New("this phone is no longer subscribed: open the page on it first")
	}
	word = rand.Text()
	err = b.set(ctx, `UPDATE phone SET test = ?, tested_at = ? WHERE id = ?`, word, now.UnixMilli(), id)
	if err != nil {
		return phone, "", fmt.Errorf("note the test: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	r.test, r.TestedAt = word, now
	return r.address(), word, nil
}

// Seen notes that the test with a word was tapped.
func (b *Book) Seen(ctx context.Context, word string, now time.Time) error {
	b.changing.Lock()
	defer b.changing.Unlock()
	r := b.find(func(r *row) bool { return word != "" && r.test == word })
	if r == nil {
		return errors.New("this test is not the last one of any phone: send a new one")
	}
	if err := b.set(ctx, `UPDATE phone SET seen_at = ? WHERE id = ?`, now.UnixMilli(), r.ID); err != nil {
		return fmt.Errorf("note that the test was seen: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	r.SeenAt = now
	return nil
}

func (b *Book) set(ctx context.Context, query string, args ...any) error {
	return b.store.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
		_, err := c.ExecContext(ctx, query, args...)
		return err
	})
}

// find is the first row that fits, nil if none does. The caller holds one of
// the locks.
func (b *Book) find(fits func(*row) bool) *row {
	if i := slices.IndexFunc(b.rows, fits); i >= 0 {
		return b.rows[i]
	}
	return nil
}

// known is the phone with an id that was not removed, nil if there is none.
func (b *Book) known(id int64) *row {
	return b.find(func(r *row) bool { return r.ID == id && r.state != removed })
}
