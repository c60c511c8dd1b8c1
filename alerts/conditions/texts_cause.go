package conditions

import (
	"time"

	"rearguard/alerts"
)

// causeDelay is how long a cause must be told without a break.
const causeDelay = 8 * time.Minute

// causeDefinitions are about the plant of a room, told from the shape of its
// air. Each has at least the priority of the harm it explains, so that the
// harm can be folded under it.
func causeDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     HumidifierExhausted,
			Title:         "humidifier seems empty",
			Cause:         "Moisture is falling while the temperature is steady: the humidifier is empty, off or blocked.",
			Consequence:   "The air becomes too dry: eggs shrivel, moults stick and wings do not expand.",
			FirstAction:   "Fill the humidifier and see that it mists. If it is broken, hang wet cloths; keep water away from sockets.",
			TimeToRespond: 2 * time.Hour,
			Severity:      alerts.Major,
			OnDelay:       causeDelay, OffDelay: 10 * time.Minute,
		},
		{
			Condition:     HeaterStuckOn,
			Title:         "heater stuck on or strong sun",
			Cause:         "The room warms beyond its usual range: thermostat or relay stuck, or sun or a lamp on it with the vent shut.",
			Consequence:   "The room goes on warming until animals are injured.",
			FirstAction:   "Switch the heater off at its isolator and open the door. Do not open the heater.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			OnDelay:       causeDelay, OffDelay: 10 * time.Minute,
			ReAlarm: 2 * time.Hour,
		},
		{
			Condition:     HeatingWeak,
			Title:         "heating off or too weak",
			Cause:         "The room cools while moisture stays: heater off, without power, or too weak for the cold outside.",
			Consequence:   "Development slows and stops; tropical species are injured if it lasts.",
			FirstAction:   "See whether the room has light and the heater is warm. If not, check breaker, fuse and thermostat; bring a spare heater.",
			TimeToRespond: 4 * time.Hour,
			Severity:      alerts.Major,
			OnDelay:       causeDelay, OffDelay: 10 * time.Minute,
		},
		{
			Condition:     DoorOpen,
			Title:         "door, vent or window open",
			Cause:         "The air changed faster than a closed room can, and has not come back: outside air is coming in.",
			Consequence:   "The room goes on losing warmth and moisture.",
			FirstAction:   "Go and close door, vent and windows, then watch that the room recovers.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       causeDelay, OffDelay: 10 * time.Minute,
		},
		{
			Condition:     PowerLost,
			Title:         "power seems lost",
			Cause:         "Temperature and moisture fall together: heater and humidifier have both stopped.",
			Consequence:   "The room cools and dries until it is as cold and dry as outside.",
			FirstAction:   "Check the lights in the room, then the breaker. A breaker that trips again needs an electrician.",
			TimeToRespond: 2 * time.Hour,
			Severity:      alerts.Severe,
			OnDelay:       causeDelay, OffDelay: 10 * time.Minute,
			ReAlarm: 4 * time.Hour,
		},
		{
			Condition:     MainsLost,
			Title:         "power lost in several rooms?",
			Cause:         "Several rooms began to cool, dry or fall silent together: mains, main breaker or a shared gateway.",
			Consequence:   "All rooms cool and dry at once; batteries of gateways run out.",
			FirstAction:   "Check the lights, then the main breaker. If it trips again, call an electrician. Move the most delicate cohorts first.",
			TimeToRespond: 90 * time.Minute,
			Severity:      alerts.Severe,
			OnDelay:       5 * time.Minute, OffDelay: 10 * time.Minute,
			Unit: "rooms", NoticeUnit: "rooms",
			ReAlarm: 4 * time.Hour,
		},
	}
}
