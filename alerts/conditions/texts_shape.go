package conditions

import (
	"time"

	"rearguard/alerts"
)

// shapeDefinitions are about what the temperature is doing, before or instead
// of a limit being passed.
func shapeDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     HeatApproaching,
			Title:         "heading for too hot",
			Cause:         "Heater stuck on, ventilation stopped, or sun on the room: it has been warming steadily.",
			Consequence:   "The heat limit will be passed soon if nothing changes.",
			FirstAction:   "Check heater and ventilation now; open the door if the corridor is cooler.",
			TimeToRespond: 30 * time.Minute,
			Severity:      alerts.Moderate,
			OnDelay:       3 * time.Minute, OffDelay: 10 * time.Minute,
			Unit: "°C",
		},
		{
			Condition:     ChillApproaching,
			Title:         "heading for too cold",
			Cause:         "Heating off or too weak, or a door or vent open: the room has been cooling steadily.",
			Consequence:   "The cold limit will be passed soon if nothing changes.",
			FirstAction:   "Close door and vents and check that the heater has power.",
			TimeToRespond: 2 * time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       3 * time.Minute, OffDelay: 10 * time.Minute,
			Unit: "°C",
		},
		{
			Condition:     HeatInjury,
			Title:         "heat is killing animals",
			Cause:         "The warmest place has been hot for long enough that injury adds up.",
			Consequence:   "The cohort dies when the lethal dose is complete; part of it dies earlier.",
			FirstAction:   "Move the cohort to a cooler room now. Then switch the heater off and ventilate.",
			TimeToRespond: 20 * time.Minute,
			Severity:      alerts.Severe,
			OnDelay:       time.Minute, OffDelay: 10 * time.Minute,
			Deadband: temperatureDeadband, Unit: "%", NoticeUnit: "% lethal dose",
			ReAlarm: time.Hour,
		},
		{
			Condition:     DaySwing,
			Title:         "day swing too large",
			Cause:         "Day and night set points too far apart, sun by day, or heating too weak at night.",
			Consequence:   "Development slows and forecasts drift; condensation is likely in the cold hours.",
			FirstAction:   "In the morning, compare the set points with the room's curve and shade or insulate.",
			TimeToRespond: 24 * time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       30 * time.Minute, OffDelay: time.Hour,
			Deadband: swingDeadband, Unit: "°C", Difference: true,
		},
		{
			Condition:     FastChange,
			Title:         "temperature changing fast",
			Cause:         "Door or vent left open, heater or cooler stuck on, or the sensor was moved.",
			Consequence:   "Moulting and hatching animals are harmed by the jump; a limit may be passed within minutes.",
			FirstAction:   "Look into the room: door, vents, heater. If the sensor was moved, put it back.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       5 * time.Minute, OffDelay: 15 * time.Minute,
			Deadband: changeDeadband, Unit: "°C/h",
		},
	}
}

// wetnessDefinitions are about what the water in the air is doing.
func wetnessDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     Condensation,
			Title:         "water condensing",
			Cause:         "The coldest wall or window is colder than the dew point of the air.",
			Consequence:   "Small larvae drown in drops, and mould starts on wet surfaces.",
			FirstAction:   "Ventilate or lower the humidity; wipe cages and lids. Keep drips away from sockets and lamps.",
			TimeToRespond: 8 * time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       2 * time.Hour, OffDelay: time.Hour,
			Deadband: condensationDeadband, Unit: "°C",
		},
		{
			Condition:     MouldRisk,
			Title:         "damp enough for fungal disease",
			Cause:         "Air stays above 90 % humidity between 15 and 35 °C: too little ventilation, too much mist or wet food.",
			Consequence:   "Spores germinate on the animals; a fungal disease can take a whole cohort.",
			FirstAction:   "Ventilate to below 85 % humidity and remove wet food, droppings and dead animals; wear a mask.",
			TimeToRespond: 6 * time.Hour,
			Severity:      alerts.Major,
			OnDelay:       10 * time.Minute, OffDelay: 30 * time.Minute,
			Unit: "%", NoticeUnit: "of 100",
			ReAlarm: 12 * time.Hour,
		},
	}
}

// cohortDefinitions are about the development of one cohort.
func cohortDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     CohortOverdue,
			Title:         "cohort overdue",
			Cause:         "Development slower than forecast: colder places than the sensors, disease, poor food, or no count entered.",
			Consequence:   "Animals may be stuck or dead unnoticed, and the plan for the coming weeks is wrong.",
			FirstAction:   "Look at the cohort and enter a count. If nothing has moved, check the temperature at the cages.",
			TimeToRespond: 24 * time.Hour,
			Severity:      alerts.Moderate,
			Unit:          "h",
		},
		{
			Condition:     CohortStalled,
			Title:         "development stands still",
			Cause:         "The room is at or below the temperature at which the stage develops.",
			Consequence:   "The stage does not end; animals weaken with time.",
			FirstAction:   "Raise the room's set point or move the cohort, unless it is meant to rest (diapause): then shelve this alarm.",
			TimeToRespond: 12 * time.Hour,
			Severity:      alerts.Moderate,
			Unit:          "h",
		},
	}
}
