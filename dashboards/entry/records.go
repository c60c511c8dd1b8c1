package entry

import (
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
)

// AdoptRecords checks the name of who takes the records for the right ones.
func AdoptRecords(s *snapshot.Snapshot, who string) (fold.AdoptRecords, error) {
	c := check{s: s}
	return fold.AdoptRecords{Who: c.who(who)}, c.err
}
