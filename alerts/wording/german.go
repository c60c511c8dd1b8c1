package wording

import "maps"

// german is German for somebody who breeds insects: plain words, and neither
// Sie nor du.
var german = catalogue{
	phrases: joined(germanLetter(), germanTitles(), germanAdvice(), germanCauses(), germanFacility(), germanDetails(), germanEvidence(), germanAnswers()),
	reports: joined(germanReports(), germanDrillReports(), germanLinkReports()), briefs: germanBriefs(),
	days:   [7]string{"So", "Mo", "Di", "Mi", "Do", "Fr", "Sa"},
	months: [12]string{"Jan.", "Feb.", "März", "April", "Mai", "Juni", "Juli", "Aug.", "Sept.", "Okt.", "Nov.", "Dez."},
	monthsInFull: [12]string{
		"Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November", "Dezember",
	},
	short: "{day}. {month} {clock}", long: "{weekday} {day}. {month} {clock} {zone}", full: "{day}. {month} {year} {clock}",
	point: ",",
	zones: map[string]string{"CET": "MEZ", "CEST": "MESZ"},
}

func joined(parts ...map[string]string) map[string]string {
	whole := make(map[string]string)
	for _, p := range parts {
		maps.Copy(whole, p)
	}
	return whole
}

// germanLetter is what stands around the facts of a notice.
func germanLetter() map[string]string {
	return map[string]string{
		"[demo] ":                      "[Demo] ",
		"Still: {place}: {what}{left}": "Weiter: {place}: {what}{left}",
		"Still: {what}{left}":          "Weiter: {what}{left}",
		"Back to normal: {place} (was: {what}{left})": "Wieder normal: {place} (war: {what}{left})",
		"Back to normal (was: {what}{left})":          "Wieder normal (war: {what}{left})",
		"%s has it: {place}: {what}":                  "%s übernimmt: {place}: {what}",
		"%s has it: {what}":                           "%s übernimmt: {what}",
		"%s is going: {place}: {what}":                "%s geht hin: {place}: {what}",
		"%s is going: {what}":                         "%s geht hin: {what}",
		", act now":                                   ", sofort handeln",
		", now":                                       ", sofort",
		", act within %s":                             ", noch %s Zeit",
		", %s left":                                   ", noch %s",
		" (+%d more)":                                 " (+%d weitere)",

		"Where: %s":            "Ort: %s",
		"At risk: %s":          "Gefährdet: %s",
		"%s cohorts":           "%s Zuchtgruppen",
		"1 cohort":             "1 Zuchtgruppe",
		" and %s more":         " und %s weitere",
		" (%s, delicate: %s)":  " (%s, empfindlich: %s)",
		"Since %s":             "Seit %s",
		"%s (%s priority). %s": "%s (Dringlichkeit %s). %s",
		"Act now: the time to respond ended at %s.": "Sofort handeln: Die Zeit dafür lief ab am %s.",
		"Act by %s (within %s).":                    "Handeln bis %s (noch %s).",
		"Do first: %s":                              "Zuerst: %s",
		"Then: %s":                                  "Dann: %s",
		"Details: %s":                               "Näheres: %s",
		"Measured: %s":                              "Gemessen: %s",
		"%s, limit %s":                              "%s, Grenze %s",
		"With it: %s":                               "Dazu: %s",
		"Likely cause: %s":                          "Wahrscheinliche Ursache: %s",
		"If nobody acts: %s":                        "Wenn niemand handelt: %s",
		"On from %s to %s (%s), now back to normal.": "Dauer: %s bis %s (%s), jetzt wieder normal.",
		"Furthest: %s":     "Am weitesten: %s",
		"With it were: %s": "Dazu kamen: %s",
		"The message about its start could not be delivered before its end.":  "Die Nachricht vom Beginn ließ sich vor dem Ende nicht zustellen.",
		"Look after the animals if nobody has: %s":                            "Nach den Tieren sehen, falls es noch niemand getan hat: %s",
		"%s has it since %s. No need to come unless there is another call.":   "%s kümmert sich darum seit %s. Kommen ist nur nötig, wenn wieder ein Ruf eingeht.",
		"%s is going since %s. No need to come unless there is another call.": "%s ist seit %s unterwegs. Kommen ist nur nötig, wenn wieder ein Ruf eingeht.",
		"%s has it since %s":                                                    "%s kümmert sich darum seit %s",
		"%s is going since %s":                                                  "%s ist seit %s unterwegs",
		"%s, and it has not got better.":                                        "%s, und es ist nicht besser geworden.",
		"%s, and it has not got better: %s then, %s now.":                       "%s, und es ist nicht besser geworden: damals %s, jetzt %s.",
		"Nobody has answered since %s.":                                         "Seit %s hat niemand geantwortet.",
		"Nobody has answered since %s; called so far: %s.":                      "Seit %s hat niemand geantwortet; bisher gerufen: %s.",
		"The roster has nobody for this now, so everybody is called.":           "Im Dienstplan steht jetzt niemand dafür, deshalb werden alle gerufen.",
		"Everybody is called: a whole cohort or room may be lost.":              "Alle werden gerufen: Eine ganze Zuchtgruppe oder ein ganzer Raum kann verloren gehen.",
		"This message is %s late: it could not be delivered before.":            "Diese Nachricht kommt %s zu spät: Sie ließ sich vorher nicht zustellen.",
		"This message is not in the records yet, since they cannot be written.": "Diese Nachricht steht noch nicht in den Aufzeichnungen, denn sie lassen sich nicht schreiben.",
		"This facility is invented: nothing needs to be done.":                  "Diese Anlage ist erfunden: Es ist nichts zu tun.",
		"See: %s":         "Ansehen: %s",
		"Acknowledge: %s": "Bestätigen: %s",
		"%s, incident %d": "%s, Vorfall %d",

		"%s alarms: %s. The most urgent:":               "%s Alarme: %s. Der dringendste:",
		"All of them:":                                  "Alle zusammen:",
		"- and %s more, which the page of alarms shows": "- und %s weitere, siehe Seite der Alarme",
		"back to normal":                                "wieder normal",
		"back to normal: %s, on from %s to %s":          "wieder normal: %s, von %s bis %s",
		"%s: %s, since %s":                              "%s: %s, seit %s",
		"%s: %s (limit %s)":                             "%s: %s (Grenze %s)",

		"low": "gering", "medium": "mittel", "high": "hoch", "critical": "kritisch",

		"day": "Tag", "days": "Tage", "room": "Raum", "rooms": "Räume", "of 100": "von 100", "% lethal dose": "% Letaldosis",
		"less than 1 min": "weniger als 1 min",
		"not known":       "nicht bekannt",
		"about %s at %s":  "etwa %s bei %s",
	}
}

// germanAnswers is what is said of links by which a notice is answered, and of
// tests.
func germanAnswers() map[string]string {
	return map[string]string{
		"Test from %s: nothing is wrong":                              "Test von %s: nichts passiert",
		"Tap to say that this arrived.":                               "Antippen sagt, dass dies angekommen ist.",
		"Please say that this arrived.":                               "Bitte sagen, dass dies angekommen ist.",
		"Asked for by %s, %s.":                                        "Verlangt von %s, %s.",
		"Part of the drill of %s, which shows whether alarms arrive.": "Teil der Übung vom %s, die zeigt, ob Alarme ankommen.",
		"It arrived: %s":                                              "Angekommen: %s",
		"Say so on the page of people: %s":                            "Auf der Seite der Leute sagen: %s",
		"I am going, I have it, or quiet for a while: %s":             "Hingehen, übernehmen oder eine Weile Ruhe: %s",
		"This link is for one person alone, and good for a day.":      "Dieser Link gilt nur für eine Person und einen Tag.",
		"I am going": "Ich gehe hin", "I have it": "Ich übernehme", "It arrived": "Angekommen",
	}
}

// germanBriefs are the titles that are too long for a headline.
func germanBriefs() map[string]string {
	return map[string]string{
		"air too dry for too long":        "zu trocken",
		"air damp for too long":           "zu feucht",
		"heading for too hot":             "wird zu heiß",
		"heading for too cold":            "wird zu kalt",
		"heat is killing animals":         "Hitzetod",
		"day swing too large":             "Tag/Nacht-Sprung",
		"temperature changing fast":       "Temp.-Sprung",
		"water condensing":                "Kondenswasser",
		"damp enough for fungal disease":  "Schimmelgefahr",
		"cohort overdue":                  "überfällig",
		"development stands still":        "Stillstand",
		"cohort not watched":              "unbewacht",
		"species no longer configured":    "Art fehlt",
		"humidifier seems empty":          "Befeuchter leer?",
		"heater stuck on or strong sun":   "Heizung oder Sonne",
		"heating off or too weak":         "Heizung zu schwach",
		"door, vent or window open":       "Tür/Fenster offen",
		"power seems lost":                "Stromausfall?",
		"power lost in several rooms?":    "Strom weg?",
		"sensor silent":                   "Sensor stumm",
		"sensor not to be believed":       "Sensor unglaubwürdig",
		"room not watched":                "unbewacht",
		"no sensor messages at all":       "keine Messwerte",
		"broker certificate about to end": "Zertifikat läuft ab",
		"records cannot be written":       "Aufzeichnung gestört",
		"records not those of last time":  "falsche Aufzeichnungen?",
		"records cannot all be read":      "Aufzeichnung lückenhaft",
		"notices do not get out":          "Nachrichten stecken fest",
		"no proof that notices arrive":    "Übung fehlt",
		"another site is silent":          "Standort stumm",
		"clock is wrong":                  "Uhr geht falsch",
		"clock was moved":                 "Uhr verstellt",
	}
}
