package lookback

import (
	"time"

	"rearguard/alerts"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// Episode is one occurrence of an alarm, from its raising to its return.
type Episode struct {
	Condition alerts.Condition `json:"condition"`
	Room      sensors.RoomID   `json:"room"`
	Subject   string           `json:"subject,omitempty"`
	Raised    time.Time        `json:"raised"`
	// Cleared is nil while it is still on.
	Cleared *time.Time `json:"cleared"`
	// Called is set when somebody was called, which a consequence folded
	// under its root, or a shelved alarm, does not do.
	Called bool `json:"called"`
}

// Equal reports whether two episodes are the same to the millisecond.
func (e Episode) Equal(o Episode) bool {
	sameEnd := e.Cleared == nil && o.Cleared == nil || e.Cleared != nil && o.Cleared != nil && e.Cleared.Equal(*o.Cleared)
	return e.Condition == o.Condition && e.Room == o.Room && e.Subject == o.Subject && e.Raised.Equal(o.Raised) && sameEnd
}

// Episodes gathers steps into occurrences, in the order of raising.
func Episodes(steps []records.AlarmTransition) []Episode {
	list := []Episode{}
	open := make(map[int64]int)
	for _, s := range steps {
		if s.Occurrence == 0 {
			continue
		}
		i, known := open[s.Occurrence]
		if !known {
			i = len(list)
			open[s.Occurrence] = i
			list = append(list, Episode{Condition: s.Key.Condition, Room: s.Key.Room, Subject: s.Key.Subject, Raised: s.Time})
		}
		list[i].Called = list[i].Called || s.Annunciate
		switch {
		case s.Event == alerts.EventReturn, s.Event == "" && (s.To == alerts.Returned || s.To == alerts.Normal):
			at := s.Time
			list[i].Cleared = &at
		case s.Event == alerts.EventRecur:
			list[i].Cleared = nil
		}
	}
	return list
}
