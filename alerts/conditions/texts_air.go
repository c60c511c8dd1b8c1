package conditions

import (
	"time"

	"rearguard/alerts"
)

// Delays and deadbands for room air: temperature deadband 0.3 °C and 5 min so
// that an opened door is no alarm, humidity 3 % (common practice, no
// published source). Doses carry their delay in themselves.
const (
	temperatureDeadband = 0.3
	humidityDeadband    = 3.0
	vpdDeadband         = 0.1
	airDelay            = 5 * time.Minute
	doseOffDelay        = 10 * time.Minute
)

func airDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     Heat,
			Title:         "too hot",
			Cause:         "Heater stuck on, cooling or ventilation stopped, sun on the room, or a lamp too close.",
			Consequence:   "Animals are injured by the hour and die; eggs and pupae cannot move away.",
			FirstAction:   "Switch the heater off at its isolator and open the door. If it stays hot, move the cohorts to a cooler room.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			OnDelay:       airDelay, OffDelay: airDelay,
			Deadband: temperatureDeadband, Unit: "°C",
			ReAlarm: 2 * time.Hour,
		},
		{
			Condition:     Chill,
			Title:         "too cold",
			Cause:         "Heating off or too weak, door or vent left open, or the power is out.",
			Consequence:   "Feeding and development stop; tropical species are injured if it lasts.",
			FirstAction:   "Close the door and vents, check that the heater has power and runs. If not, bring a spare heater or move the cohorts.",
			TimeToRespond: 4 * time.Hour,
			Severity:      alerts.Major,
			OnDelay:       airDelay, OffDelay: airDelay,
			Deadband: temperatureDeadband, Unit: "°C",
			ReAlarm: 4 * time.Hour,
		},
		{
			Condition:     Drying,
			Title:         "air too dry for too long",
			Cause:         "Humidifier empty or off, heating without moisture, or a vent or door open.",
			Consequence:   "Eggs shrivel, moults stick and wings do not expand.",
			FirstAction:   "Check the humidifier's water and power. Until it runs, hang wet cloths and close the vents; keep water away from sockets.",
			TimeToRespond: 2 * time.Hour,
			Severity:      alerts.Major,
			OffDelay:      doseOffDelay,
			Deadband:      vpdDeadband, Unit: "kPa",
			ReAlarm: 4 * time.Hour,
		},
		{
			Condition:     Damp,
			Title:         "air damp for too long",
			Cause:         "Humidifier stuck on, no ventilation, a leak, or wet food and droppings.",
			Consequence:   "Mould and fungal disease start within a day and spread through the cohort.",
			FirstAction:   "Switch the humidifier off and ventilate. Take out wet droppings and mouldy food; wear a mask if you see mould.",
			TimeToRespond: 12 * time.Hour,
			Severity:      alerts.Moderate,
			OffDelay:      doseOffDelay,
			Deadband:      humidityDeadband, Unit: "%",
			ReAlarm: 12 * time.Hour,
		},
	}
}
