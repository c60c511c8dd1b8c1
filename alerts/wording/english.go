package wording

// english has no phrases: they are its keys.
var english = catalogue{
	briefs: map[string]string{
		"air too dry for too long":        "too dry",
		"air damp for too long":           "too damp",
		"heading for too hot":             "nearly too hot",
		"heading for too cold":            "nearly too cold",
		"heat is killing animals":         "heat kills",
		"day swing too large":             "day swing",
		"temperature changing fast":       "fast change",
		"damp enough for fungal disease":  "mould risk",
		"cohort overdue":                  "overdue",
		"development stands still":        "standing still",
		"cohort not watched":              "not watched",
		"species no longer configured":    "species gone",
		"humidifier seems empty":          "humidifier empty?",
		"heater stuck on or strong sun":   "heater stuck on?",
		"heating off or too weak":         "heating too weak",
		"door, vent or window open":       "door or vent open",
		"power lost in several rooms?":    "power lost?",
		"sensor not to be believed":       "sensor faulty",
		"no sensor messages at all":       "no sensor messages",
		"broker certificate about to end": "certificate ends",
		"records cannot be written":       "records stuck",
		"records not those of last time":  "wrong records?",
		"records cannot all be read":      "records damaged",
		"notices do not get out":          "notices stuck",
		"another site is silent":          "site silent",
	},
	days:   [7]string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"},
	months: [12]string{"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"},
	monthsInFull: [12]string{
		"January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
	},
	short: "{day} {month} {clock}", long: "{weekday} {day} {month} {clock} {zone}", full: "{day} {month} {year} {clock}",
	point: ".",
}
