package facility

import (
	"slices"
	"strings"
	"unicode/utf8"
)

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
	stemA, unitA, okA := cutLast(a)
	stemB, unitB, okB := cutLast(b)
	isUnit := func(u string) bool { return slices.Contains(strings.Fields(unitWords), u) }
	switch {
	case okA && okB && stemA == stemB:
		return isUnit(unitA) && isUnit(unitB)
	case okB && a == stemB:
		return isUnit(unitB)
	}
	return false
}

const unitWords = "celsius fahrenheit kelvin c f k kilopascals pascals kpa pa hpa mbar percent ratio m ft feet meters metres days hours minutes seconds bytes kb"

func cutLast(s string) (stem, unit string, ok bool) {
	i := strings.LastIndexByte(s, '_')
	if i < 0 {
		return s, "", false
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
