// Package calendar serves the forecasts of the facility as an iCalendar feed
// (RFC 5545, with the properties of RFC 7986) that a phone can subscribe to.
//
// The feed is for plans. It carries no alarms, and not only by choice: common
// calendar services ignore VALARM in subscribed feeds and fetch them at their
// own pace, often hours late.
//
// A forecast moves a little with every reading. So that calendars are not
// flooded with changes, an event keeps the dates it was published with until
// the forecast has moved by more than a tolerance. The handler remembers what
// it published in memory only; after a restart it publishes the forecasts of
// that moment once more under a higher SEQUENCE.
package calendar

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"slices"
	"strings"
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// Feed is the handler of /calendar.ics. The queries room and species narrow
// it.
type Feed struct {
	source snapshot.Source
	memory memory
}

// New returns the feed of the facility.
func New(source snapshot.Source) *Feed { return &Feed{source: source} }

func (f *Feed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s := f.source.Snapshot()
	if s == nil {
		w.Header().Set("Retry-After", "10")
		http.Error(w, "rearguard is reading its records; try again in a few seconds", http.StatusServiceUnavailable)
		return
	}
	room, sp := sensors.RoomID(r.URL.Query().Get("room")), species.ID(r.URL.Query().Get("species"))
	if room != "" {
		if _, err := s.Room(room); err != nil {
			http.Error(w, err.Error(), http.StatusNotFound)
			return
		}
	}
	if sp != "" && !known(s, sp) {
		http.Error(w, "species is not known here", http.StatusNotFound)
		return
	}
	body, err := write(s, f.memory.publish(s), room, sp)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	sum := sha256.Sum256([]byte(body))
	tag := `"` + hex.EncodeToString(sum[:16]) + `"`
	h := w.Header()
	h.Set("ETag", tag)
	// Always ask again, but fetch only what changed.
	h.Set("Cache-Control", "private, no-cache")
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", `inline; filename="rearguard.ics"`)
	http.ServeContent(w, r, "", time.Time{}, strings.NewReader(body))
}

// known reports whether the species can be or is being reared.
func known(s *snapshot.Snapshot, id species.ID) bool {
	if _, err := s.SpeciesOf(id); err == nil {
		return true
	}
	return slices.ContainsFunc(s.Cohorts, func(c snapshot.Cohort) bool { return c.Species == id })
}
