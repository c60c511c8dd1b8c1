package entry

import (
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
)

// Acknowledge takes on an alarm.
func Acknowledge(s *snapshot.Snapshot, key alerts.Key, who string) (fold.Acknowledge, error) {
	who, err := onAlarm(s, key, who)
	return fold.Acknowledge{Key: key, Who: who}, err
}

// Shelve silences an alarm for a limited time.
func Shelve(s *snapshot.Snapshot, key alerts.Key, who string, length time.Duration, reason string) (fold.Shelve, error) {
	c := check{s: s}
	c.alarm(key)
	cmd := fold.Shelve{
		Key: key, Who: c.who(who), For: length, Reason: c.needed("reason", reason, maxText, "say why this alarm may be silent"),
	}
	c.must(length >= minShelve && length <= alerts.MaxShelving, "for", fmt.Sprintf("choose between 1 minute and %d hours", int(alerts.MaxShelving.Hours())))
	return cmd, c.err
}

// Unshelve ends a shelving.
func Unshelve(s *snapshot.Snapshot, key alerts.Key, who string) (fold.Unshelve, error) {
	who, err := onAlarm(s, key, who)
	return fold.Unshelve{Key: key, Who: who}, err
}

// OutOfService takes an alarm out of service until somebody returns it.
func OutOfService(s *snapshot.Snapshot, key alerts.Key, who, reason string) (fold.OutOfService, error) {
	c := check{s: s}
	c.alarm(key)
	cmd := fold.OutOfService{
		Key: key, Who: c.who(who), Reason: c.needed("reason", reason, maxText, "say what is being worked on, for others to see"),
	}
	return cmd, c.err
}

// ReturnToService ends maintenance.
func ReturnToService(s *snapshot.Snapshot, key alerts.Key, who string) (fold.ReturnToService, error) {
	who, err := onAlarm(s, key, who)
	return fold.ReturnToService{Key: key, Who: who}, err
}

// onAlarm checks what every command about an alarm needs.
func onAlarm(s *snapshot.Snapshot, key alerts.Key, who string) (string, error) {
	c := check{s: s}
	c.alarm(key)
	who = c.who(who)
	return who, c.err
}
