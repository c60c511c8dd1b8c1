package entry

import (
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
)

// ConfirmClock checks the name of who has found the clock right.
func ConfirmClock(s *snapshot.Snapshot, who string) (fold.ConfirmClock, error) {
	c := check{s: s}
	return fold.ConfirmClock{Who: c.who(who)}, c.err
}
