package incidents

import (
	"slices"

	"rearguard/alerts"
	"rearguard/sensors"
)

// place is what alarms of one incident have in common.
type place struct {
	theme string
	room  sensors.RoomID
}

// index finds open incidents, so that a finding costs the same however many
// there are. Who changes the open incidents or their members changes it as well.
type index struct {
	// byKey are those with an alarm of a key, in the order in which it joined
	// them.
	byKey   map[alerts.Key][]*Incident
	byPlace map[place]*Incident
}

func newIndex() index {
	return index{byKey: map[alerts.Key][]*Incident{}, byPlace: map[place]*Incident{}}
}

// add takes in an incident with its members.
func (x *index) add(i *Incident) {
	for k := range i.Members {
		x.joined(i, i.Members[k].Key)
	}
	if at := (place{i.Theme, i.Room}); i.Theme != "" && x.byPlace[at] == nil {
		x.byPlace[at] = i
	}
}

// drop leaves an incident out.
func (x *index) drop(i *Incident) {
	for k := range i.Members {
		x.left(i, i.Members[k].Key)
	}
	if at := (place{i.Theme, i.Room}); x.byPlace[at] == i {
		delete(x.byPlace, at)
	}
}

// joined takes in that an incident has an alarm of a key.
func (x *index) joined(i *Incident, key alerts.Key) {
	if !slices.Contains(x.byKey[key], i) {
		x.byKey[key] = append(x.byKey[key], i)
	}
}

// left takes in that an incident has no alarm of a key any more.
func (x *index) left(i *Incident, key alerts.Key) {
	rest := slices.DeleteFunc(x.byKey[key], func(o *Incident) bool { return o == i })
	if len(rest) == 0 {
		delete(x.byKey, key)
		return
	}
	x.byKey[key] = rest
}
