// Package wordingtest finds English in what a person reads in another language.
package wordingtest

import (
	"regexp"
	"slices"
	"strings"
)

// english are words that stand in almost every English sentence about the air
// of rooms, and in no German one.
var english = regexp.MustCompile(`(?i)\b(the|and|is|are|has|of|since|with|without|not|from|for|which|until|now|too|about|cannot|nothing|nobody|within|before|at|it|its|to|by|` +
	`heater|humidity|limit|room|rooms|cohort|cohorts|egg|pupa|instar|moult|eclosion|days?|high|medium|low|normal again|believed|assumed|expected|reading|readings|clock|broken)\b`)

// EnglishIn are the English words of a text, without the names that may hold
// some.
func EnglishIn(text string, names ...string) []string {
	// The longest first, since a name may be part of another.
	names = slices.SortedFunc(slices.Values(names), func(a, b string) int { return len(b) - len(a) })
	for _, name := range names {
		if name != "" {
			text = strings.ReplaceAll(text, name, "…")
		}
	}
	return english.FindAllString(text, -1)
}
