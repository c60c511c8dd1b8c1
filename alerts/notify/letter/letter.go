package letter

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

const (
	// lateAfter is how old news may be before the message says so.
	lateAfter = 5 * time.Minute
	// mostAtRisk is how many cohorts are named, mostRiskLine in how many
	// characters.
	mostAtRisk   = 4
	mostRiskLine = 160
)

// writer writes the lines of a letter in the reader's language.
type writer struct {
	strings.Builder
	reader wording.Reader
}

// line writes one line of a phrase and of what has been said already.
func (w *writer) line(format string, args ...any) {
	w.WriteString(OneLine(w.reader.Phrase(format, args...)) + "\n")
}

func (w *writer) gap() { w.WriteByte('\n') }

// Render writes the notice for the person who reads it: a subject that says
// room, what, how much and how long is left in HeadlineLimit characters, and a
// body that begins with it, as a locked phone shows no more; then who is at risk,
// since when, and what to do. Now is the time of sending; remarks are what else a
// person should know, each a line of its own.
func Render(n AlarmNotice, now time.Time, remarks ...string) (subject, body string) {
	subject = n.headline(now, 0)
	return subject, subject + "\n" + n.rest(subject, now, remarks)
}

// rest is the body below its first line.
func (n *AlarmNotice) rest(headline string, now time.Time, remarks []string) string {
	w := &writer{reader: n.Reader()}
	if place := OneLine(n.place()); !strings.Contains(headline, place) {
		w.line("Where: %s", place)
	}
	switch n.Kind {
	case Cleared, Over:
		n.sayEnd(w)
	case Taken:
		n.sayTaken(w)
	case Going:
		w.line("%s is going since %s. No need to come unless there is another call.", n.TakenBy, w.reader.Moment(n.Time))
	case Test:
		n.sayTest(w)
	case Raised, Reminder:
		n.sayCall(w, now)
	}
	if late := now.Sub(n.Time); late > lateAfter {
		w.line("This message is %s late: it could not be delivered before.", w.reader.Exactly(late))
	}
	for _, remark := range remarks {
		w.line("%s", w.reader.Word(remark))
	}
	w.gap()
	n.sayWhere(w)
	return w.String()
}

func (n *AlarmNotice) sayCall(w *writer, now time.Time) {
	r := w.reader
	n.sayAtRisk(w)
	since := r.Phrase("Since %s", r.Moment(n.RaisedAt))
	w.line("%s (%s priority). %s", since, r.Word(n.Priority.String()), n.deadline(now))
	n.sayAnswers(w)
	w.gap()
	w.line("Do first: %s", r.Word(n.FirstAction))
	for _, step := range n.Steps {
		w.line("Then: %s", r.Word(step))
	}
	w.gap()
	if words := n.measured(); words != "" {
		w.line("Measured: %s", words)
	}
	if words := r.Say(n.Detail); words != "" {
		w.line("Details: %s", words)
	}
	if words := n.others(); words != "" {
		w.line("With it: %s", words)
	}
	w.line("Likely cause: %s", r.Word(n.Cause))
	w.line("If nobody acts: %s", r.Word(n.Consequence))
}

func (n *AlarmNotice) sayEnd(w *writer) {
	r := w.reader
	w.line("On from %s to %s (%s), now back to normal.", r.Moment(n.RaisedAt), r.Moment(n.Time), r.Exactly(n.Time.Sub(n.RaisedAt)))
	if words := n.measured(); words != "" {
		w.line("Furthest: %s", words)
	}
	if words := n.others(); words != "" {
		w.line("With it were: %s", words)
	}
	if n.Kind == Over {
		w.line("The message about its start could not be delivered before its end.")
	}
	w.gap()
	n.sayAtRisk(w)
	w.line("Look after the animals if nobody has: %s", r.Word(n.Consequence))
}

func (n *AlarmNotice) sayTaken(w *writer) {
	w.line("%s has it since %s. No need to come unless there is another call.", n.TakenBy, w.reader.Moment(n.Time))
}

// sayTest says why the person is asked.
func (n *AlarmNotice) sayTest(w *writer) {
	if n.Answer != "" {
		w.line("Tap to say that this arrived.")
	} else {
		w.line("Please say that this arrived.")
	}
	if n.AskedBy != "" {
		w.line("Asked for by %s, %s.", n.AskedBy, w.reader.Moment(n.Time))
	} else {
		w.line("Part of the drill of %s, which shows whether alarms arrive.", w.reader.Moment(n.Time))
	}
}

// sayWhere says where to answer or go on, and who says all this.
func (n *AlarmNotice) sayWhere(w *writer) {
	switch {
	case n.Kind == Test && n.Answer != "":
		w.line("It arrived: %s", n.Answer)
	case n.Kind == Test && n.Link != "":
		w.line("Say so on the page of people: %s", n.Link)
	case n.Kind == Test:
	case n.Answer != "":
		w.line("I am going, I have it, or quiet for a while: %s", n.Answer)
	case n.Link != "" && (n.Ended() || n.Kind == Taken || n.Kind == Going):
		w.line("See: %s", n.Link)
	case n.Link != "":
		w.line("Acknowledge: %s", n.Link)
	}
	if n.Answer != "" {
		w.line("This link is for one person alone, and good for a day.")
	}
	if n.Kind == Test {
		w.line("%s", n.Facility)
	} else {
		w.line("%s, incident %d", n.Facility, n.Occurrence)
	}
	if n.Invented {
		w.line("This facility is invented: nothing needs to be done.")
	}
}

// sayAtRisk says which animals are at risk.
func (n *AlarmNotice) sayAtRisk(w *writer) {
	r := w.reader
	if len(n.AtRisk) == 0 {
		return
	}
	count := r.Phrase("%s cohorts", fmt.Sprint(len(n.AtRisk)))
	if len(n.AtRisk) == 1 {
		count = r.Word("1 cohort")
	}
	text := count
	for i, c := range n.AtRisk {
		next := ", " + c.say(r)
		if i == 0 {
			next = ": " + c.say(r)
		}
		if i == mostAtRisk || i > 0 && length(text+next) > mostRiskLine {
			text += r.Phrase(" and %s more", fmt.Sprint(len(n.AtRisk)-i))
			break
		}
		text += next
	}
	w.line("At risk: %s", text)
}

// say is a cohort in a few words.
func (c Cohort) say(r wording.Reader) string {
	name := shorten(cmp.Or(c.Species, c.ID), mostRiskLine/2)
	if c.Animals > 0 {
		name = fmt.Sprintf("%d %s", c.Animals, name)
	}
	switch {
	case c.Stage != "" && c.Near != "":
		return name + r.Phrase(" (%s, delicate: %s)", r.Word(c.Stage), r.Word(c.Near))
	case c.Stage != "":
		return name + " (" + r.Word(c.Stage) + ")"
	}
	return name
}

// room is the room's name, or its id if it has none.
func (n *AlarmNotice) room() string { return cmp.Or(n.RoomName, string(n.Key.Room)) }

// place is the room with the sensor or cohort that the alarm is about.
func (n *AlarmNotice) place() string { return alerts.Place(n.room(), n.Key.Subject) }

// measured is the value with its limit.
func (n *AlarmNotice) measured() string {
	if n.Unit == "" || n.Limit == 0 && n.Unit == "min" {
		// How long it has been, and no time is allowed: that is said already.
		return ""
	}
	r := n.Reader()
	return r.Phrase("%s, limit %s", r.Measured(n.Measure), r.Limited(n.Measure))
}

// mostAlike is how many other alarms of one kind are told one by one.
const mostAlike = 2

// others lists the other alarms of the incident; many of one kind are counted.
func (n *AlarmNotice) others() string {
	r := n.Reader()
	alike := map[string]int{}
	for i := range n.Others {
		alike[n.Others[i].Title]++
	}
	var words []string
	for i := range n.Others {
		o := &n.Others[i]
		one := r.Word(o.Title)
		switch count := alike[o.Title]; {
		case count == 0:
			continue
		case count > mostAlike:
			alike[o.Title] = 0
			one = fmt.Sprintf("%d × %s", count, one)
		default:
			if o.Subject != "" && o.Subject != n.Key.Subject {
				one += " (" + o.Subject + ")"
			}
			if o.Unit != "" {
				one += " " + r.Measured(o.measure())
			}
		}
		words = append(words, one)
	}
	return strings.Join(words, ", ")
}

// due is by when to act, zero if that is not known.
func (n *AlarmNotice) due() time.Time {
	if n.Due.IsZero() && n.TimeToRespond > 0 {
		return n.RaisedAt.Add(n.TimeToRespond)
	}
	return n.Due
}

// deadline says by when to act.
func (n *AlarmNotice) deadline(now time.Time) string {
	r, due := n.Reader(), n.due()
	switch {
	case due.IsZero():
		return ""
	case !due.After(now):
		return r.Phrase("Act now: the time to respond ended at %s.", r.Moment(due))
	}
	return r.Phrase("Act by %s (within %s).", r.Moment(due), r.Exactly(due.Sub(now)))
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
