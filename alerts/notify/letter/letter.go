package letter

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"rearguard/alerts"
)

// lateAfter is how old news may be before the message says so.
const lateAfter = 5 * time.Minute

// Render writes the notice for a person: a subject that starts with the
// state, and a body whose first line alone says room, what and how much, as a
// locked phone shows no more. Now is the time of sending; remarks are what else
// a person should know, each a line of its own.
func Render(n AlarmNotice, now time.Time, remarks ...string) (subject, body string) {
	headline := OneLine(alerts.Headline(alerts.Definition{Title: n.Title}, n.place(), n.Value, n.Limit, n.Unit))
	var b strings.Builder
	line := func(format string, args ...any) { b.WriteString(OneLine(fmt.Sprintf(format, args...)) + "\n") }
	switch n.Kind {
	case Cleared, Over:
		state := "Over"
		if n.Kind == Over {
			state = "Was on, is over"
		}
		subject = state + ": " + n.what()
		line("%s: %s is over%s", n.placeOr("Facility"), n.Title, n.peak())
		line("On from %s to %s (%s).", n.clock(n.RaisedAt), n.clock(n.Time), span(n.Time.Sub(n.RaisedAt)))
		if words := n.others(); words != "" {
			line("With it were: %s.", words)
		}
		if n.Kind == Over {
			line("The message about its start could not be delivered before its end.")
		}
		b.WriteByte('\n')
		line("Look after the animals if nobody has: %s", n.Consequence)
	case Taken:
		subject = fmt.Sprintf("%s has it: %s", n.TakenBy, n.what())
		line("%s: %s has it", n.what(), n.TakenBy)
		line("Since %s. You need not come unless you are called again.", n.clock(n.Time))
	case Going:
		subject = fmt.Sprintf("%s is going: %s", n.TakenBy, n.what())
		line("%s: %s is going", n.what(), n.TakenBy)
		line("On the way since %s. You need not come unless you are called again.", n.clock(n.Time))
	case Test:
		subject = fmt.Sprintf("Test from %s: nothing is wrong", n.Facility)
		n.sayTest(line)
	default:
		subject = fmt.Sprintf("%s: %s", capital(n.Priority.String()), headline)
		if n.Kind == Reminder {
			subject = fmt.Sprintf("Still %s: %s", n.Priority, headline)
		}
		line("%s", headline)
		line("%s alarm since %s. %s", capital(n.Priority.String()), n.clock(n.RaisedAt), n.deadline(now))
		if n.Detail != "" {
			line("%s", n.Detail)
		}
		if words := n.others(); words != "" {
			line("With it: %s.", words)
		}
		b.WriteByte('\n')
		line("Do first: %s", n.FirstAction)
		for _, step := range n.Steps {
			line("Then: %s", step)
		}
		line("Likely cause: %s", n.Cause)
		line("If nobody acts: %s", n.Consequence)
	}
	if late := now.Sub(n.Time); late > lateAfter {
		line("This message is %s late: it could not be delivered before.", span(late))
	}
	for _, remark := range remarks {
		line("%s", remark)
	}
	b.WriteByte('\n')
	n.sayWhere(line)
	if n.Invented {
		subject = "[demo] " + subject
		line("This facility is invented: nothing needs to be done.")
	}
	return OneLine(subject), b.String()
}

// sayTest says that nothing is wrong, and why the person is asked.
func (n AlarmNotice) sayTest(line func(format string, args ...any)) {
	if n.Answer != "" {
		line("Test: nothing is wrong. Tap to say that it arrived.")
	} else {
		line("Test: nothing is wrong. Please say that it arrived.")
	}
	if n.AskedBy != "" {
		line("Asked for by %s at %s.", n.AskedBy, n.clock(n.Time))
	} else {
		line("Part of the drill of %s, to see that alarms reach you.", n.clock(n.Time))
	}
}

// sayWhere says where to answer, and who says all this.
func (n AlarmNotice) sayWhere(line func(format string, args ...any)) {
	switch {
	case n.Kind == Test && n.Answer != "":
		line("It arrived: %s", n.Answer)
	case n.Kind == Test && n.Link != "":
		line("Say so on the page of people: %s", n.Link)
	case n.Answer != "":
		line("I am going, I have it, or quiet for a while: %s", n.Answer)
	case n.Link != "" && (n.Ended() || n.Kind == Taken || n.Kind == Going):
		line("See: %s", n.Link)
	case n.Link != "":
		line("Acknowledge: %s", n.Link)
	}
	if n.Answer != "" {
		line("This link is for you alone, and good for a day.")
	}
	if n.Kind == Test {
		line("%s", n.Facility)
	} else {
		line("%s, incident %d", n.Facility, n.Occurrence)
	}
}

// place is the room's name, or its id if it has none, with the sensor or
// cohort that the alarm is about.
func (n AlarmNotice) place() string {
	return alerts.Place(cmp.Or(n.RoomName, string(n.Key.Room)), n.Key.Subject)
}

func (n AlarmNotice) placeOr(other string) string {
	if p := n.place(); p != "" {
		return p
	}
	return other
}

func (n AlarmNotice) what() string {
	return strings.TrimSpace(n.place() + " " + n.Title)
}

// peak is how far it went, as it was then.
func (n AlarmNotice) peak() string {
	if n.Unit == "" {
		return ""
	}
	return fmt.Sprintf("; it came to %s (limit %s)", alerts.Quantity(n.Value, n.Unit), alerts.Quantity(n.Limit, n.Unit))
}

// others lists the other alarms of the incident.
func (n AlarmNotice) others() string {
	words := make([]string, len(n.Others))
	for k, o := range n.Others {
		words[k] = o.Title
		if o.Subject != "" && o.Subject != n.Key.Subject {
			words[k] += " (" + o.Subject + ")"
		}
		if o.Unit != "" {
			words[k] += " " + alerts.Quantity(o.Value, o.Unit)
		}
	}
	return strings.Join(words, ", ")
}

// deadline says by when to act.
func (n AlarmNotice) deadline(now time.Time) string {
	due := n.Due
	if due.IsZero() && n.TimeToRespond > 0 {
		due = n.RaisedAt.Add(n.TimeToRespond)
	}
	switch {
	case due.IsZero():
		return ""
	case !due.After(now):
		return fmt.Sprintf("Act at once: the time to respond ended at %s.", n.clock(due))
	}
	return fmt.Sprintf("Act by %s (within %s).", n.clock(due), span(due.Sub(now)))
}

func (n AlarmNotice) clock(t time.Time) string {
	zone, err := time.LoadLocation(n.Zone)
	if err != nil {
		zone = time.UTC
	}
	return t.In(zone).Format("Mon 2 Jan 15:04 MST")
}

// span writes a duration the way people say it.
func span(d time.Duration) string {
	d = max(d, 0).Round(time.Minute)
	days, hours, minutes := int(d/(24*time.Hour)), int(d%(24*time.Hour)/time.Hour), int(d%time.Hour/time.Minute)
	switch {
	case days > 0 && hours > 0:
		return fmt.Sprintf("%d d %d h", days, hours)
	case days > 0:
		return fmt.Sprintf("%d d", days)
	case hours > 0 && minutes > 0:
		return fmt.Sprintf("%d h %d min", hours, minutes)
	case hours > 0:
		return fmt.Sprintf("%d h", hours)
	case minutes > 0:
		return fmt.Sprintf("%d min", minutes)
	}
	return "less than 1 min"
}

// OneLine keeps text that comes from names and notes from breaking out of its
// line or of a mail header.
func OneLine(s string) string {
	return strings.TrimRight(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\u2028' || r == '\u2029' || r >= 0x80 && r < 0xa0 {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "�")), " ")
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
