package daemon_test

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"rearguard/alerts/notify/letter"
	"rearguard/alerts/wording"
	"rearguard/alerts/wording/wordingtest"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
)

// monthWords hold everything that the recorded month tells to what somebody
// must get who reads German and °F: German, in °F, and first a line that fits on
// a phone.
type monthWords struct {
	t     *testing.T
	names []string
	kinds map[letter.Kind]int
}

func newMonthWords(t *testing.T) *monthWords {
	w := &monthWords{t: t, kinds: map[letter.Kind]int{}}
	f := monthOf(t)
	// The problems of the broker and of a mail server were invented with the month.
	w.names = []string{f.Site.Name, "connection refused; is the broker running?", "the broker closed the connection"}
	for i := range f.Rooms {
		w.names = append(w.names, f.Rooms[i].Name, string(f.Rooms[i].ID))
	}
	for i := range f.Sensors {
		w.names = append(w.names, f.Sensors[i].Position, string(f.Sensors[i].ID))
	}
	for _, sp := range speciestest.Library(t).All() {
		w.names = append(w.names, sp.CommonName)
	}
	return w
}

func (w *monthWords) take(b *records.Batch) {
	for i := range b.Outbox {
		var n letter.AlarmNotice
		if err := json.Unmarshal(b.Outbox[i].Payload, &n); err != nil {
			w.t.Fatal(err)
		}
		w.kinds[n.Kind]++
		n.Language, n.Scale = wording.German, wording.Fahrenheit
		names := append([]string{n.Key.Subject, n.TakenBy}, w.names...)
		for _, c := range n.AtRisk {
			names = append(names, c.ID)
		}
		subject, body := letter.Render(n, n.Time)
		if found := wordingtest.EnglishIn(body, names...); len(found) > 0 || strings.Contains(body, "°C") {
			w.t.Errorf("English %q or °C in\n%s", found, body)
		}
		if got := utf8.RuneCountInString(subject); got > letter.HeadlineLimit {
			w.t.Errorf("%q has %d characters", subject, got)
		}
	}
}

func (w *monthWords) check() {
	for _, kind := range []letter.Kind{letter.Raised, letter.Reminder, letter.Cleared} {
		if w.kinds[kind] < 10 {
			w.t.Errorf("only %d notices of kind %s were told", w.kinds[kind], kind)
		}
	}
}
