package wording

// english has no phrases: they are its keys.
var english = catalogue{
	briefs: map[string]string{},
	days:   [7]string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"},
	months: [12]string{"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"},
	monthsInFull: [12]string{
		"January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
	},
	short: "{day} {month} {clock}", long: "{weekday} {day} {month} {clock} {zone}", full: "{day} {month} {year} {clock}",
	point: ".",
}
