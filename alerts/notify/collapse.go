package notify

import (
	"cmp"
	"encoding/json"
	"fmt"
)

// collapsed is what is to be said to one person by one channel about one
// occurrence, however many notices have piled up.
type collapsed struct {
	// lead is the newest pending notice; it is the one that is sent.
	lead  Notice
	alarm AlarmNotice
	// older are the pending notices that the lead makes stale.
	older []Notice
	// newest is the newest notice that was told, which makes an older lead
	// stale; the zero value for none.
	newest Notice
	// siblings are all notices of the occurrence to the person, those by other
	// channels included.
	siblings []Notice
}

// collapse picks what of the siblings is still news: of all that is pending
// only the newest, as the others describe a state that has passed. An end of
// whose beginning the person was never told becomes an Over.
func collapse(row Notice, siblings []Notice) (collapsed, error) {
	c := collapsed{lead: row, siblings: siblings}
	told := false
	for _, s := range siblings {
		if s.Occurrence != row.Occurrence || s.ID == row.ID {
			continue
		}
		if s.Channel != row.Channel {
			// What was handed on was told as well.
			told = told || s.State == Delivered && s.ID < row.ID
			continue
		}
		switch {
		case s.State == Delivered:
			told = true
			if s.ID > c.newest.ID {
				c.newest = s
			}
		case s.State != Pending:
		case s.ID > c.lead.ID:
			c.older = append(c.older, c.lead)
			c.lead = s
		default:
			c.older = append(c.older, s)
		}
	}
	if err := json.Unmarshal(c.lead.Payload, &c.alarm); err != nil {
		return c, fmt.Errorf("read notice %d: %w", c.lead.ID, err)
	}
	if c.alarm.Kind == Cleared && !told {
		c.alarm.Kind = Over
	}
	return c, nil
}

// mostUrgent orders what is to be told: what is on before what is over, by
// priority, the longest on first, and what was tried in vain last. Tests come
// after alarms of their priority.
func mostUrgent(a, b collapsed) int {
	over := func(c *collapsed) int {
		switch {
		case c.alarm.Kind == Test:
			return 2
		case c.alarm.Ended():
			return 1
		}
		return 0
	}
	return cmp.Or(
		cmp.Compare(b.alarm.Priority, a.alarm.Priority), cmp.Compare(over(&a), over(&b)),
		cmp.Compare(a.lead.Attempts, b.lead.Attempts), a.alarm.RaisedAt.Compare(b.alarm.RaisedAt), cmp.Compare(a.lead.ID, b.lead.ID),
	)
}
