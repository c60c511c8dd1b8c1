// Package wording keeps what is to be said to a person as facts until it is
// said: a Text is an English format, which is also the key of the catalogues of
// other languages, with arguments that know what they are. A Reader says it in
// the person's language, unit of temperature and time zone.
//
// To add a language, write its catalogue beside that of German. A phrase that a
// catalogue lacks is said in English, and a test names it.
package wording

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Text is what is said to a person later, possibly more than once and in more
// than one language. The zero value says nothing. It survives a JSON round trip
// unchanged, and a JSON string is read as a report.
type Text struct {
	// format is in English, with one %s for each argument; without arguments
	// it is taken as it is.
	format string
	args   []Arg
	// report is set for words of another part, or of older records, which may
	// hold names and numbers.
	report bool
}

// Say is a text of a format and its arguments, one %s for each.
func Say(format string, args ...Arg) Text { return Text{format: format, args: args} }

// Report is what another part has put in English words already. Other languages
// say it where their catalogue has a form that fits the whole of it.
func Report(words string) Text { return Text{format: words, report: words != ""} }

// And is the text with more behind it.
func (t Text) And(format string, args ...Arg) Text {
	return Say("%s"+format, append([]Arg{Of(t)}, args...)...)
}

// IsZero reports whether the text says nothing.
func (t Text) IsZero() bool { return t.format == "" }

// Begins reports whether the text was made of a format.
func (t Text) Begins(format string) bool { return !t.report && t.format == format }

// Equal reports whether both say the same to everybody.
func (t Text) Equal(other Text) bool {
	return t.format == other.format && t.report == other.report && slices.EqualFunc(t.args, other.args, Arg.Equal)
}

// Moved is the text once the clock was moved: its instants lie as far back as
// before.
func (t Text) Moved(by time.Duration) Text {
	if len(t.args) == 0 {
		return t
	}
	t.args = slices.Clone(t.args)
	for i := range t.args {
		t.args[i] = t.args[i].moved(by)
	}
	return t
}

// String is for logs and tests: in English, °C and UTC.
func (t Text) String() string { return Reader{}.Say(t) }

// written is a Text in JSON.
type written struct {
	Say  string `json:"say"`
	With []Arg  `json:"with,omitempty"`
}

// MarshalJSON writes a report as a string.
func (t Text) MarshalJSON() ([]byte, error) {
	if t.report || t.IsZero() {
		return json.Marshal(t.format)
	}
	return json.Marshal(written{t.format, t.args})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (t *Text) UnmarshalJSON(data []byte) error {
	var words string
	if json.Unmarshal(data, &words) == nil {
		*t = Report(words)
		return nil
	}
	var w written
	if err := json.Unmarshal(data, &w); err != nil {
		return fmt.Errorf("read a text: %w", err)
	}
	*t = Text{format: w.Say, args: w.With}
	return nil
}
