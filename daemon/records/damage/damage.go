// Package damage keeps in mind what of the records cannot be read, and says it
// in words that a person can act on.
package damage

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
)

// Hole is a day of one series that cannot be read.
type Hole struct {
	// Day counts from 1970-01-01, UTC; Series is the number of the series in
	// the file, 0 for all series.
	Day, Series int64
}

// Found is what was found damaged. It is safe for use by several goroutines.
type Found struct {
	mu sync.Mutex
	// holes have the sensor that is missing, empty for all; others are single
	// things, in words. Both are false once a person has taken note.
	holes  map[Hole]hole
	others map[string]bool
	text   string
}

type hole struct {
	sensor string
	// aside is set once the bytes are out of the way, told as long as nobody
	// has taken note.
	aside, told bool
}

// Note takes in a day of a sensor that cannot be read, aside if its bytes are
// out of the way already. It reports whether that is new.
func (f *Found) Note(at Hole, sensor string, aside bool) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.holes == nil {
		f.holes = make(map[Hole]hole)
	}
	was, known := f.holes[at]
	if known && (was.aside || !aside) {
		return false
	}
	f.holes[at] = hole{sensor, aside, !known || was.told}
	f.tell()
	return !known
}

// NoteOther takes in a single thing that cannot be read. It reports whether
// that is new.
func (f *Found) NoteOther(what string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, known := f.others[what]; known {
		return false
	}
	if f.others == nil {
		f.others = make(map[string]bool)
	}
	f.others[what] = true
	f.tell()
	return true
}

// InTheWay are the holes whose bytes are still where they are read, in order
// of time.
func (f *Found) InTheWay() []Hole {
	f.mu.Lock()
	defer f.mu.Unlock()
	var list []Hole
	for at, h := range f.holes {
		if !h.aside {
			list = append(list, at)
		}
	}
	slices.SortFunc(list, compareHoles)
	return list
}

func compareHoles(a, b Hole) int {
	if a.Day != b.Day {
		return int(a.Day - b.Day)
	}
	return int(a.Series - b.Series)
}

// Accept says that a person has taken note of everything found so far.
func (f *Found) Accept() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for at, h := range f.holes {
		h.told = false
		f.holes[at] = h
	}
	for what := range f.others {
		f.others[what] = false
	}
	f.tell()
}

// Text says what cannot be read that nobody has taken note of, empty for
// nothing.
func (f *Found) Text() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.text
}

// mostTold bounds the spans and things that are named one by one.
const mostTold = 6

func (f *Found) tell() {
	days := make(map[string][]int64)
	for at, h := range f.holes {
		if h.told {
			days[h.sensor] = append(days[h.sensor], at.Day)
		}
	}
	var parts []string
	for _, sensor := range slices.Sorted(maps.Keys(days)) {
		whose := "readings of sensor " + sensor
		if sensor == "" {
			whose = "readings of all sensors"
		}
		for _, span := range spansOf(days[sensor]) {
			parts = append(parts, whose+" "+span)
		}
	}
	for _, what := range slices.Sorted(maps.Keys(f.others)) {
		if f.others[what] {
			parts = append(parts, what)
		}
	}
	if n := len(parts); n > mostTold {
		parts = append(parts[:mostTold:mostTold], fmt.Sprintf("and %d more", n-mostTold))
	}
	f.text = ""
	if len(parts) > 0 {
		f.text = strings.Join(parts, ", ") + " cannot be read"
	}
}

// spansOf joins days that follow each other and says from when to when.
func spansOf(days []int64) []string {
	slices.Sort(days)
	days = slices.Compact(days)
	var spans []string
	for i := 0; i < len(days); {
		last := i
		for last+1 < len(days) && days[last+1] == days[last]+1 {
			last++
		}
		spans = append(spans, span(days[i], days[last]))
		i = last + 1
	}
	return spans
}

func span(first, last int64) string {
	from, to := date(first), date(last)
	end := to.Format("2 January 2006")
	switch {
	case first == last:
		return "of " + end
	case from.Year() != to.Year():
		return "from " + from.Format("2 January 2006") + " to " + end
	case from.Month() != to.Month():
		return "from " + from.Format("2 January") + " to " + end
	}
	return "from " + from.Format("2") + " to " + end
}

func date(day int64) time.Time { return time.Unix(day*24*60*60, 0).UTC() }
