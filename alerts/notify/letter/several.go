package letter

import (
	"fmt"
	"strings"
	"time"

	"rearguard/alerts"
)

// mostListed bounds the alarms that one message lists; the others are counted.
const mostListed = 30

// RenderAll writes several alarms as one message: the most urgent as it would
// be told alone, then how many there are and a line for each.
func RenderAll(list []AlarmNotice, now time.Time, remarks ...string) (subject, body string) {
	counts := countAll(list)
	subject, first := Render(list[0], now, remarks...)
	subject = fmt.Sprintf("%s (and %d more: %s)", subject, len(list)-1, counts)
	var b strings.Builder
	line := func(format string, args ...any) { b.WriteString(OneLine(fmt.Sprintf(format, args...)) + "\n") }
	line("%d alarms: %s. The most urgent:", len(list), counts)
	b.WriteByte('\n')
	b.WriteString(first)
	b.WriteByte('\n')
	line("All of them:")
	for _, n := range list[:min(len(list), mostListed)] {
		line("- %s", n.summary())
	}
	if more := len(list) - mostListed; more > 0 {
		line("- and %d more, which the page of alarms shows", more)
	}
	return subject, b.String()
}

// countAll says how many alarms of each priority there are.
func countAll(list []AlarmNotice) string {
	count := map[string]int{}
	for _, n := range list {
		count[n.standing()]++
	}
	var words []string
	for _, p := range []string{alerts.Critical.String(), alerts.High.String(), alerts.Medium.String(), alerts.Low.String(), "over"} {
		if n := count[p]; n > 0 {
			words = append(words, fmt.Sprintf("%d %s", n, p))
		}
	}
	return strings.Join(words, ", ")
}

// standing is the priority of an alarm that is on.
func (n AlarmNotice) standing() string {
	if n.Ended() {
		return "over"
	}
	return n.Priority.String()
}

// summary is an alarm in one line.
func (n AlarmNotice) summary() string {
	what := alerts.Headline(alerts.Definition{Title: n.Title}, n.place(), n.Value, n.Limit, n.Unit)
	if n.Ended() {
		return fmt.Sprintf("over: %s, on from %s to %s", n.what(), n.clock(n.RaisedAt), n.clock(n.Time))
	}
	return fmt.Sprintf("%s: %s, since %s", n.Priority, what, n.clock(n.RaisedAt))
}
