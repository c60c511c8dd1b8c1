package strict

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Choose advises somebody who wrote a word that is none of the known ones.
func Choose(word string, known []string) string {
	if meant := nearest(word, known); meant != "" {
		return fmt.Sprintf("did you mean %s?", meant)
	}
	return "write one of: " + strings.Join(known, ", ")
}

// nearest returns the known word that was most likely meant, or "". A word
// with the same beginning before the first underscore counts as meant too,
// because then only the unit differs.
func nearest(word string, known []string) string {
	best, bestDistance := "", 1+max(2, utf8.RuneCountInString(word)/3)
	if len(word) > 64 {
		return ""
	}
	lower := strings.ToLower(strings.ReplaceAll(word, "-", "_"))
	for _, k := range known {
		if d := distance(lower, k); d < bestDistance && d < utf8.RuneCountInString(k) {
			best, bestDistance = k, d
		}
	}
	if best != "" {
		return best
	}
	for _, k := range known {
		if sameButUnit(lower, k) {
			return k
		}
	}
	return ""
}

// sameButUnit reports whether two keys name the same thing in other units.
func sameButUnit(a, b string) bool {
	if a == b {
		return false
	}
	stemA, unitA, okA := cutLast(a, '_')
	stemB, unitB, okB := cutLast(b, '_')
	switch {
	case okA && okB && stemA == stemB:
		return isUnit(unitA) && isUnit(unitB)
	case okB && a == stemB:
		return isUnit(unitB)
	}
	return false
}

// isUnit reports whether a word at the end of a key names a unit.
func isUnit(word string) bool {
	const words = "celsius fahrenheit kelvin c f k kilopascals pascals kpa pa hpa mbar percent ratio m mm ft feet meters metres millimeters days hours hour minutes seconds bytes kb"
	return slices.Contains(strings.Fields(words), word)
}

func cutLast(s string, separator byte) (before, after string, found bool) {
	i := strings.LastIndexByte(s, separator)
	if i < 0 {
		return "", s, false
	}
	return s[:i], s[i+1:], true
}

// distance is the Levenshtein distance in characters.
func distance(a, b string) int {
	ra, rb := []rune(a), []rune(b)
	row := make([]int, len(rb)+1)
	for j := range row {
		row[j] = j
	}
	for i, ca := range ra {
		diagonal := row[0]
		row[0] = i + 1
		for j, cb := range rb {
			cost := diagonal
			if ca != cb {
				cost = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], cost
		}
	}
	return row[len(rb)]
}
