package alerts

import "rearguard/alerts/wording"

// Place is where an alarm is, for people: the name of the room, empty for the
// facility, with the sensor or cohort that the alarm is about.
func Place(room, subject string) string {
	if room == "" || subject == "" {
		return room + subject
	}
	return room + ", " + subject
}

// Headline is what is wrong in one line: the room, empty for the facility, and
// the number first, then the title and the limit.
func Headline(r wording.Reader, title, room string, m wording.Measure) string {
	title = r.Word(title)
	switch {
	case m.Unit == "" && room == "":
		return title
	case m.Unit == "":
		return room + ": " + title
	case room != "":
		room += " "
	}
	return room + r.Phrase("%s: %s (limit %s)", r.Measured(m), title, r.Limited(m))
}
