package calendar

import (
	"encoding/hex"
	"fmt"
	"hash/fnv"
	"sync"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// The tolerance within which a forecast may move before its event is
// published anew: the larger of two hours and a quarter of its interval. A
// choice of ours: small against what a keeper plans by.
const (
	leastMove  = 2 * time.Hour
	moveShare  = 4
	forgetTime = 30 * 24 * time.Hour
)

// published is one event as calendars have it.
type published struct {
	uid         string
	cohort      population.CohortID
	species     species.ID
	speciesName string
	room        sensors.RoomID
	roomName    string
	stageName   string
	assumed     bool
	event       snapshot.ExpectedEvent
	sequence    int
	// stamp is when this version of the event was made.
	stamp time.Time
	// seen is when the forecast was last there.
	seen time.Time
}

// memory remembers what was published. The zero value is ready for use.
type memory struct {
	mu     sync.Mutex
	events map[string]published
}

// publish brings the memory up to date with the snapshot and returns the
// events to show, in the order of the snapshot.
func (m *memory) publish(s *snapshot.Snapshot) []published {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.events == nil {
		m.events = map[string]published{}
	}
	var out []published
	shown := map[string]bool{}
	for i := range s.Cohorts {
		c := &s.Cohorts[i]
		for _, e := range c.Expected {
			if e.Median.IsZero() {
				continue
			}
			next := describe(s, c, e)
			if shown[next.uid] {
				continue
			}
			shown[next.uid] = true
			old, was := m.events[next.uid]
			if was && !changed(old, next) {
				next = old
			} else {
				// Minutes since the cohort began never fall back, not even
				// after a restart with an empty memory.
				next.sequence = max(0, int(s.Time.Sub(c.Start)/time.Minute))
				if was {
					next.sequence = max(next.sequence, old.sequence+1)
				}
				next.stamp = s.Time.UTC().Truncate(time.Second)
			}
			next.seen = s.Time
			m.events[next.uid] = next
			out = append(out, next)
		}
	}
	for uid, p := range m.events {
		if s.Time.Sub(p.seen) > forgetTime {
			delete(m.events, uid)
		}
	}
	return out
}

// changed reports whether calendars must be told.
func changed(old, next published) bool {
	if old.room != next.room || old.roomName != next.roomName || old.speciesName != next.speciesName || old.assumed != next.assumed {
		return true
	}
	tolerance := max(leastMove, old.event.Late.Sub(old.event.Early)/moveShare)
	moved := func(a, b time.Time) bool { return a.Sub(b).Abs() > tolerance }
	return moved(old.event.Median, next.event.Median) || moved(old.event.Early, next.event.Early) || moved(old.event.Late, next.event.Late)
}

func describe(s *snapshot.Snapshot, c *snapshot.Cohort, e snapshot.ExpectedEvent) published {
	p := published{
		cohort: c.ID, species: c.Species, speciesName: c.SpeciesName, room: c.Room, roomName: s.RoomName(c.Room),
		stageName: s.StageName(c.Species, e.Stage), assumed: c.Assumed, event: e,
	}
	// Without bounds the median is all there is.
	if p.event.Early.IsZero() || p.event.Early.After(e.Median) {
		p.event.Early = e.Median
	}
	if p.event.Late.IsZero() || p.event.Late.Before(e.Median) {
		p.event.Late = e.Median
	}
	p.uid = uidOf(s.Facility, c, e)
	return p
}

// uidOf is the same for the same event of the same cohort for ever, and
// differs between facilities. The start tells two cohorts apart that bore the
// same name one after the other.
func uidOf(facility string, c *snapshot.Cohort, e snapshot.ExpectedEvent) string {
	h := fnv.New128a()
	fmt.Fprintf(h, "%s\x00%s\x00%d\x00%s\x00%s", facility, c.ID, c.Start.Unix(), e.Event, e.Stage)
	return hex.EncodeToString(h.Sum(nil)) + "@rearguard.invalid"
}
