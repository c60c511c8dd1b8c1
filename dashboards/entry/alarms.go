package entry

import (
	"fmt"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
)

// Order checks what a person tells an alarm; what its verb does not need is
// left out.
func Order(s *snapshot.Snapshot, o fold.Order) (fold.Order, error) {
	c := check{s: s}
	c.alarm(o.Key)
	order := fold.Order{Verb: o.Verb, Key: o.Key, Who: c.who(o.Who)}
	switch o.Verb {
	case alerts.Acknowledge, alerts.Going:
		// Whoever has seen one alarm of an incident has seen all of it.
		order.Incident = true
	case alerts.Shelve:
		order.For, order.Reason = o.For, c.needed("reason", o.Reason, maxText, "say why this alarm may be silent")
		c.must(o.For >= minShelve && o.For <= alerts.MaxShelving, "for", fmt.Sprintf("choose between 1 minute and %d hours", int(alerts.MaxShelving.Hours())))
	case alerts.TakeOut:
		order.Reason = c.needed("reason", o.Reason, maxText, "say what is being worked on, for others to see")
	}
	return order, c.err
}
