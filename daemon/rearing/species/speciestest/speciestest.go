// Package speciestest is the species library as tests take it.
package speciestest

import (
	"testing"

	"rearguard/daemon/rearing/species"
)

// Library is the species that the program knows by itself.
func Library(tb testing.TB) *species.Catalog {
	tb.Helper()
	catalog, err := species.Library()
	if err != nil {
		tb.Fatal(err)
	}
	return catalog
}

// Named is a species of the library.
func Named(tb testing.TB, id species.ID) *species.Species {
	tb.Helper()
	sp, ok := Library(tb).Species(id)
	if !ok {
		tb.Fatalf("library has no %s", id)
	}
	return sp
}

// Overlay is the library with entries of a facility over it.
func Overlay(tb testing.TB, text string) (*species.Catalog, error) {
	tb.Helper()
	entries, err := species.Parse("facility.yaml", []byte(text))
	if err != nil {
		return nil, err
	}
	return Library(tb).With(entries)
}
