package wording

var german = catalogue{
	phrases: map[string]string{}, reports: map[string]string{}, briefs: map[string]string{},
	days:   [7]string{"So", "Mo", "Di", "Mi", "Do", "Fr", "Sa"},
	months: [12]string{"Jan.", "Feb.", "März", "April", "Mai", "Juni", "Juli", "Aug.", "Sept.", "Okt.", "Nov.", "Dez."},
	monthsInFull: [12]string{
		"Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November", "Dezember",
	},
	short: "{day}. {month} {clock}", long: "{weekday} {day}. {month} {clock} {zone}", full: "{day}. {month} {year} {clock}",
	point: ",",
	zones: map[string]string{"CET": "MEZ", "CEST": "MESZ", "UTC": "UTC"},
}
