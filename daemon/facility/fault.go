package facility

import (
	"fmt"
	"sort"
	"strings"
)

// Fault is one thing that is wrong with a file.
type Fault struct {
	File string `json:"file"`
	// Line and Column count from 1; Column counts characters.
	Line   int `json:"line"`
	Column int `json:"column"`
	// Path names the place in the tree, for example "rooms[0].limits".
	Path string `json:"path,omitempty"`
	// Problem says what is wrong, Advice what to do about it.
	Problem string `json:"problem"`
	Advice  string `json:"advice"`
	// Excerpt is the line of the file without its line break.
	Excerpt string `json:"excerpt"`
}

// String renders the fault over several lines, with a caret under the place.
func (f Fault) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: %s", f.File, f.Line, f.Column, f.Problem)
	if f.Path != "" {
		fmt.Fprintf(&b, " (in %s)", f.Path)
	}
	number := fmt.Sprint(f.Line)
	fmt.Fprintf(&b, "\n %5s | %s\n       | %s^", number, printable(f.Excerpt), indentLike(f.Excerpt, f.Column))
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

// Faults are all faults of one file, in order of their place.
type Faults []Fault

// Error lists every fault.
func (f Faults) Error() string {
	texts := make([]string, len(f))
	for i, fault := range f {
		texts[i] = fault.String()
	}
	return strings.Join(texts, "\n")
}

func (f Faults) sorted() Faults {
	sort.SliceStable(f, func(i, j int) bool {
		if f[i].Line != f[j].Line {
			return f[i].Line < f[j].Line
		}
		return f[i].Column < f[j].Column
	})
	return f
}
