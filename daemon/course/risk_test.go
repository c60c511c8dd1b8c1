package course_test

import (
	"testing"

	"rearguard/alerts/wording"
	"rearguard/daemon/rearing/species"
)

// Every stage and event of the library can be told in German.
func TestStagesCanBeTold(t *testing.T) {
	catalog, err := species.Library()
	if err != nil {
		t.Fatal(err)
	}
	german := wording.Reader{Language: wording.German}
	count := 0
	for _, sp := range catalog.All() {
		for _, stage := range sp.Stages {
			count++
			for _, word := range []string{stage.Name, string(species.EventInto(stage.ID))} {
				if german.Word(word) == word {
					t.Errorf("%s: no German for %q", sp.ID, word)
				}
			}
			for _, w := range stage.Delicate {
				if german.Word(string(w.Event)) == string(w.Event) {
					t.Errorf("%s: no German for %q", sp.ID, w.Event)
				}
			}
		}
	}
	if count < 50 {
		t.Errorf("only %d stages were seen", count)
	}
}
