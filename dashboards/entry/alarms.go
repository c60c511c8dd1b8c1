package entry

import (
	"rearguard/alerts"
	"rearguard/daemon"
)

// OutOfService takes an alarm out of service until somebody returns it.
func OutOfService(s *daemon.Snapshot, key alerts.Key, who, reason string) (daemon.OutOfService, error) {
	who, err := known(s, key, who)
	if err != nil {
		return daemon.OutOfService{}, err
	}
	reason, err = text("reason", reason, maxText)
	if err != nil {
		return daemon.OutOfService{}, err
	}
	if reason == "" {
		return daemon.OutOfService{}, &FieldError{"reason", "say what is being worked on, for others to see"}
	}
	return daemon.OutOfService{Key: key, Who: who, Reason: reason}, nil
}

// ReturnToService ends maintenance.
func ReturnToService(s *daemon.Snapshot, key alerts.Key, who string) (daemon.ReturnToService, error) {
	who, err := known(s, key, who)
	return daemon.ReturnToService{Key: key, Who: who}, err
}

// Unsuppress ends suppression by design.
func Unsuppress(s *daemon.Snapshot, key alerts.Key, who string) (daemon.Unsuppress, error) {
	who, err := known(s, key, who)
	return daemon.Unsuppress{Key: key, Who: who}, err
}

// Reset lets go of a latched alarm.
func Reset(s *daemon.Snapshot, key alerts.Key, who string) (daemon.Reset, error) {
	who, err := known(s, key, who)
	return daemon.Reset{Key: key, Who: who}, err
}

// known checks what every command about an alarm needs.
func known(s *daemon.Snapshot, key alerts.Key, who string) (string, error) {
	if _, err := FindAlarm(s, key); err != nil {
		return "", err
	}
	return Who(who)
}
