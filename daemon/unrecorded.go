package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/records"
)

// Unrecorded are the notices that were decided and are not in the outbox yet.
// While the records cannot be written it gives the urgent ones to be told
// directly, and sees to it that the outbox does not tell them again.
type Unrecorded struct {
	commit *committer
	store  *records.Store

	mu sync.Mutex
	// claimed are being told directly, since when; told were told, when.
	claimed, told map[string]time.Time
	// entered are claimed ones that came into the outbox meanwhile.
	entered map[string]bool
	// writing is set while an attempt to write is under way: what it writes
	// belongs to the outbox.
	writing bool
	woken   func()
}

func (u *Unrecorded) init(c *committer, store *records.Store) {
	u.commit, u.store = c, store
	u.claimed, u.told, u.entered = make(map[string]time.Time), make(map[string]time.Time), make(map[string]bool)
}

// OnTrouble sets what is called when there is something to claim. It is to be
// set before the engine runs.
func (u *Unrecorded) OnTrouble(wake func()) { u.woken = wake }

// failed ends an attempt to write that came to nothing.
func (u *Unrecorded) failed() {
	u.mu.Lock()
	u.writing = false
	u.mu.Unlock()
	if u.woken != nil {
		u.woken()
	}
}

// urgent reports whether a notice is worth telling before it is recorded.
func urgent(n *notify.Notice) bool {
	var alarm struct {
		Priority alerts.Priority `json:"priority"`
	}
	return json.Unmarshal(n.Payload, &alarm) == nil && (alarm.Priority == alerts.Critical || alarm.Priority == alerts.High)
}

// Claim gives the urgent notices that wait for records that cannot be written,
// but for those claimed or told already.
func (u *Unrecorded) Claim(now time.Time) []notify.Notice {
	if u.commit.Problem() == "" {
		return nil
	}
	waiting := u.commit.unwritten()
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.writing {
		return nil
	}
	var list []notify.Notice
	for _, b := range waiting {
		for i := range b.Outbox {
			n := &b.Outbox[i]
			_, claimed := u.claimed[n.Key]
			_, told := u.told[n.Key]
			if claimed || told || !urgent(n) {
				continue
			}
			u.claimed[n.Key] = now
			list = append(list, *n)
		}
	}
	return list
}

// Release says what became of a claimed notice: when it was told, or zero if it
// was not.
func (u *Unrecorded) Release(key string, toldAt time.Time) {
	u.mu.Lock()
	delete(u.claimed, key)
	entered := u.entered[key]
	delete(u.entered, key)
	if !entered && !toldAt.IsZero() {
		u.told[key] = toldAt
	}
	u.mu.Unlock()
	if entered {
		// It came into the outbox while it was being told.
		u.releaseEntered(key, toldAt)
	}
}

// releaseEntered marks a notice that is in the outbox already. One that is no
// longer pending there was withdrawn in favour of a newer one.
func (u *Unrecorded) releaseEntered(key string, toldAt time.Time) {
	err := u.store.ReleaseNotice(context.Background(), key, toldAt)
	if err != nil && !errors.Is(err, records.ErrNotFound) {
		u.commit.logger.Error("a notice that was told directly could not be marked; it may be told again", "notice", key, "error", err)
	}
}

// mark prepares notices for the outbox: those that were told enter it as
// delivered, those being told are left alone for a while.
func (u *Unrecorded) mark(batches []*records.Batch) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.writing = true
	for _, b := range batches {
		for i := range b.Outbox {
			n := &b.Outbox[i]
			if at, told := u.told[n.Key]; told {
				n.State, n.DoneAt = notify.Delivered, at
			} else if at, claimed := u.claimed[n.Key]; claimed {
				n.DueAt = at.Add(notify.LongestClaim)
			}
		}
	}
}

// written forgets what is in the outbox now. A notice that was released while
// it was being written is marked there.
func (u *Unrecorded) written(batches []*records.Batch) {
	late := make(map[string]time.Time)
	u.mu.Lock()
	u.writing = false
	for _, b := range batches {
		for i := range b.Outbox {
			n := &b.Outbox[i]
			if _, claimed := u.claimed[n.Key]; claimed {
				u.entered[n.Key] = true
			}
			if at, told := u.told[n.Key]; told {
				delete(u.told, n.Key)
				if n.State != notify.Delivered {
					late[n.Key] = at
				}
			}
		}
	}
	u.mu.Unlock()
	for key, at := range late {
		u.releaseEntered(key, at)
	}
}
