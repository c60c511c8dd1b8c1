package conditions

import (
	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/sensors"
)

// The themes of incidents: what is wrong with the air of a room is one trouble,
// and what is wrong with its sensors another.
const (
	themeAir     = "air"
	themeSensors = "sensors"
)

// Threatens reports whether an alarm puts a cohort at risk that stands in a
// room: what is wrong with the air of the room, or with the cohort itself. A
// sensor harms nobody.
func Threatens(k alerts.Key, room sensors.RoomID, cohort string) bool {
	switch k.Condition {
	case SensorSilent, SensorFault:
		return false
	case CohortUnwatched, SpeciesLost:
		return k.Subject == cohort
	}
	return k.Room != "" && k.Room == room && (k.Subject == "" || k.Subject == cohort)
}

// Incidents are the roles of conditions in incidents. In a room what kills
// fastest comes first, and a cause before what it brings about. What would make
// something worse that is on as well is left out: vents are not closed against
// dry air while it is too hot, nor opened against damp while it is too cold.
func Incidents() map[alerts.Condition]incidents.Role {
	hot := []alerts.Condition{HeatInjury, Heat, HeaterStuckOn, HeatApproaching}
	cold := []alerts.Condition{Chill, HeatingWeak, ChillApproaching}
	roles := map[alerts.Condition]incidents.Role{
		HumidifierExhausted: {Explains: true, Yields: hot},
		HeaterStuckOn:       {Explains: true},
		HeatingWeak:         {Explains: true},
		DoorOpen:            {Explains: true, Yields: hot},
		PowerLost:           {Explains: true},
		Drying:              {Yields: hot},
		Damp:                {Yields: cold},
		MouldRisk:           {Yields: cold},
		Condensation:        {Yields: cold},
		HeatApproaching:     {Herald: true},
		ChillApproaching:    {Herald: true},
		FastChange:          {Herald: true},
		DaySwing:            {Herald: true},
		HeatInjury:          {},
		Heat:                {},
		Chill:               {},
	}
	for order, c := range []alerts.Condition{
		HeatInjury, PowerLost, HeaterStuckOn, Heat, HeatingWeak, Chill, DoorOpen, HumidifierExhausted, Drying, MouldRisk, Damp,
		Condensation, HeatApproaching, ChillApproaching, FastChange, DaySwing,
	} {
		role := roles[c]
		role.Theme, role.Order = themeAir, order
		roles[c] = role
	}
	for order, c := range []alerts.Condition{RoomBlind, SensorFault, SensorSilent} {
		roles[c] = incidents.Role{Theme: themeSensors, Order: order}
	}
	return roles
}
