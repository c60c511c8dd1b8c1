package strict

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Place is where something stands in a text.
type Place struct {
	File string `json:"file"`
	// Line and Column count from 1; Column counts characters. Both are 0 for
	// what stands in no file.
	Line   int `json:"line"`
	Column int `json:"column"`
	// Path names the place in the tree, for example "rooms[0].limits".
	Path string `json:"path,omitempty"`
	// Excerpt is the line of the file without its line break.
	Excerpt string `json:"excerpt"`
}

// Fault is one thing that is wrong with a text.
type Fault struct {
	Place
	// Problem says what is wrong, Advice what to do about it.
	Problem string `json:"problem"`
	Advice  string `json:"advice"`
}

// Fault returns a fault at the place.
func (p Place) Fault(problem, advice string) Fault { return Fault{p, problem, advice} }

// String renders the fault over several lines, with a caret under the place.
func (f Fault) String() string {
	var b strings.Builder
	b.WriteString(f.File)
	if f.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", f.Line, f.Column)
	}
	b.WriteString(": " + f.Problem)
	if f.Path != "" {
		fmt.Fprintf(&b, " (in %s)", f.Path)
	}
	if f.Line > 0 {
		fmt.Fprintf(&b, "\n %5d | %s\n       | %s^", f.Line, printable(f.Excerpt), indentLike(f.Excerpt, f.Column))
	}
	if f.Advice != "" {
		fmt.Fprintf(&b, "\n         %s", f.Advice)
	}
	return b.String()
}

// printable replaces control characters other than the tab, so that a broken
// file cannot move the cursor of a terminal.
func printable(line string) string {
	return strings.Map(func(r rune) rune {
		if r != '\t' && (r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0) {
			return '�'
		}
		return r
	}, line)
}

// indentLike returns blank space as wide as the line before the column,
// keeping its tabs.
func indentLike(line string, column int) string {
	var b strings.Builder
	for _, r := range line {
		if column--; column < 1 {
			break
		}
		if r != '\t' {
			r = ' '
		}
		b.WriteRune(r)
	}
	return b.String()
}

// Faults are all faults of one text.
type Faults []Fault

// Error lists every fault.
func (f Faults) Error() string {
	texts := make([]string, len(f))
	for i, fault := range f {
		texts[i] = fault.String()
	}
	return strings.Join(texts, "\n")
}

// Err returns the faults as an error, in order of their place; nil if there
// are none.
func (f Faults) Err() error {
	if len(f) == 0 {
		return nil
	}
	return Faults(slices.SortedStableFunc(slices.Values(f), func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	}))
}
