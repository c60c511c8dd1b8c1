package species

import "testing"

func library(t testing.TB) *Catalog {
	t.Helper()
	c, err := Library()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func species(t testing.TB, id ID) *Species {
	t.Helper()
	sp, ok := library(t).Species(id)
	if !ok {
		t.Fatalf("library has no %s", id)
	}
	return sp
}
