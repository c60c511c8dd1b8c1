package letter

import (
	"fmt"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

// mostListed bounds the alarms that one message lists; the others are counted.
const mostListed = 30

// RenderAll writes several alarms as one message: the most urgent as it would
// be told alone, then how many there are and a line for each.
func RenderAll(list []AlarmNotice, now time.Time, remarks ...string) (subject, body string) {
	first := &list[0]
	w := &writer{reader: first.Reader()}
	subject = first.headline(now, len(list)-1)
	w.WriteString(subject + "\n")
	w.line("%s alarms: %s. The most urgent:", fmt.Sprint(len(list)), countAll(w.reader, list))
	w.gap()
	headline := first.headline(now, 0)
	w.WriteString(headline + "\n" + first.rest(headline, now, remarks))
	w.gap()
	w.line("All of them:")
	for i := range list[:min(len(list), mostListed)] {
		w.line("- %s", list[i].summary())
	}
	if more := len(list) - mostListed; more > 0 {
		w.line("- and %s more, which the page of alarms shows", fmt.Sprint(more))
	}
	return subject, w.String()
}

// countAll says how many alarms of each priority there are.
func countAll(r wording.Reader, list []AlarmNotice) string {
	count := map[string]int{}
	for i := range list {
		count[list[i].standing()]++
	}
	var words []string
	for _, p := range []string{alerts.Critical.String(), alerts.High.String(), alerts.Medium.String(), alerts.Low.String(), backToNormal} {
		if n := count[p]; n > 0 {
			words = append(words, fmt.Sprintf("%d %s", n, r.Word(p)))
		}
	}
	return strings.Join(words, ", ")
}

const backToNormal = "back to normal"

// standing is the priority of an alarm that is on.
func (n *AlarmNotice) standing() string {
	if n.Ended() {
		return backToNormal
	}
	return n.Priority.String()
}

// summary is an alarm in one line.
func (n *AlarmNotice) summary() string {
	r := n.Reader()
	if n.Ended() {
		what := alerts.Headline(r, n.Title, n.place(), wording.Measure{})
		return r.Phrase("back to normal: %s, on from %s to %s", what, r.Moment(n.RaisedAt), r.Moment(n.Time))
	}
	return r.Phrase("%s: %s, since %s", r.Word(n.Priority.String()), alerts.Headline(r, n.Title, n.place(), n.Measure), r.Moment(n.RaisedAt))
}
