package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The lists of mutants that mean nothing, which .ci/mutants reads: each has a
// file with a mutator, a line of code of that file with the operator marked,
// and a reason.
func TestListsOfMutants(t *testing.T) {
	lists, err := filepath.Glob("../../*/*/testdata/mutants.txt")
	if err != nil {
		t.Fatal(err)
	}
	upper, err := filepath.Glob("../../*/testdata/mutants.txt")
	if err != nil {
		t.Fatal(err)
	}
	lists = append(lists, upper...)
	if len(lists) < 3 {
		t.Fatalf("only %d lists were found", len(lists))
	}
	mutators := []string{"ARITHMETIC_BASE", "CONDITIONALS_BOUNDARY", "CONDITIONALS_NEGATION", "INCREMENT_DECREMENT", "INVERT_NEGATIVES"}
	unmarked := strings.NewReplacer("«", "", "»", "")
	for _, list := range lists {
		text, err := os.ReadFile(list)
		if err != nil {
			t.Fatal(err)
		}
		for entry := range strings.SplitSeq(strings.TrimSpace(string(text)), "\n\n") {
			lines := strings.Split(entry, "\n")
			name, mutator, ok := strings.Cut(lines[0], " ")
			if len(lines) < 3 || !ok || !slices.Contains(mutators, mutator) || strings.TrimSpace(lines[2]) == "" {
				t.Errorf("%s: %q is not a file with a mutator, a line of code and a reason", list, entry)
				continue
			}
			code, err := os.ReadFile(filepath.Join(filepath.Dir(list), "..", name))
			if err != nil {
				t.Error(err)
				continue
			}
			want := strings.TrimSpace(lines[1])
			if strings.Count(want, "«") != 1 || strings.Count(want, "»") != 1 {
				t.Errorf("%s: no one operator is marked in %q", list, want)
			}
			found := false
			for line := range strings.Lines(string(code)) {
				found = found || strings.TrimSpace(line) == unmarked.Replace(want)
			}
			if !found {
				t.Errorf("%s: the line is not in %s any more, take it out: %s", list, name, want)
			}
		}
	}
}
