package desk

import (
	"slices"
	"time"
)

// A sensor that reports on change says nothing while nothing changes, so its
// last value holds for as long as something else tells that the sensor lives:
// its word that it is there, which the broker takes back by its last will, or
// any other message of it, each for a bounded time. While rearguard itself
// cannot hear, nothing tells so.

// vouchedFor is how long a word counts where the configuration gives no longest
// time between messages; vouchEvery how often it is worth noting.
const (
	vouchedFor = 24 * time.Hour
	vouchEvery = time.Hour
)

// longest is how long a sensor that reports on change may be silent: one
// message can be lost.
func (s *Sensor) longest() time.Duration {
	if s.config.Interval > 0 {
		return 2 * s.config.Interval
	}
	return vouchedFor
}

// Spoke is when the sensor was last heard in a way that tells of the air: the
// event time of its newest reading or, if it reports on change, its newest word;
// or when it was claimed, and zero before.
func (s *Sensor) Spoke() time.Time {
	if !s.config.OnChange || s.told.IsZero() {
		return s.told
	}
	return Later(s.told, Later(s.heard, s.health.Vouched))
}

// Reported reports whether the sensor has ever told of the air.
func (s *Sensor) Reported() bool {
	return slices.ContainsFunc(s.series[:], func(one *series) bool { return one != nil && !one.newest.Time.IsZero() })
}

// fresh reports whether a reading of a time stands for the air now.
func (s *Sensor) fresh(t, now time.Time) bool {
	if !s.config.OnChange || now.Sub(t) <= silentFloor {
		return now.Sub(t) <= s.StaleAfter()
	}
	word := Later(t, s.Spoke())
	if s.announces() && !word.After(s.desk.deaf) {
		// It may have gone while nobody heard; the broker says so, or not, with
		// what it retains.
		return false
	}
	return s.desk.subscribed && now.Sub(word) <= s.StaleAfter()
}

// announces reports whether the sensor says whether it is there.
func (s *Sensor) announces() bool { return s.config.Announces != nil || s.health.Announced }

// vouches reports whether a sensor's word that it is there, which is no news, is
// worth noting.
func (s *Sensor) vouches(w word) bool {
	return s.config.OnChange && w.here && (w.at.Sub(s.health.Vouched) >= vouchEvery || !s.health.Vouched.After(s.desk.deaf))
}

// HeardWithin is the time after the start by which the sensor should have been
// heard: at once is known of one that has said that it is gone.
func (s *Sensor) HeardWithin() time.Duration {
	switch {
	case s.config.OnChange && !s.health.Gone.IsZero():
		return 0
	case s.config.OnChange:
		return min(s.StaleAfter(), DefaultFresh)
	}
	return s.StaleAfter()
}
