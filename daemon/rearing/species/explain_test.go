package species

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestExplainTellsNumbersAndSources(t *testing.T) {
	for _, tt := range []struct {
		id   ID
		want []string
	}{
		{"morpho-peleides", []string{"Blue Morpho", "ASSUMED", "5 days at 26 °C × (26 − assumed threshold 12) = 70.0 degree-days", "no published source", "54 minutes"}},
		{"spodoptera-frugiperda", []string{"zero at 15.79 °C, 1/slope 30.2 degree-days", "Egypt. Acad."}},
		{"helicoverpa-armigera", []string{"linear above 11.96 °C", "39.7 degree-days", "Mironidis"}},
		{"danaus-plexippus", []string{"linear from 11.5 to 33 °C, horizontal cut-off", "Zalucki 1982", "from memory"}},
		{"cydia-pomonella", []string{"heat injury above 46 °C", "Wang, Ikediala"}},
	} {
		text := Explain(species(t, tt.id)).String()
		for _, w := range tt.want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: explanation lacks %q:\n%s", tt.id, w, text)
			}
		}
	}
	data, err := json.Marshal(Explain(species(t, "danaus-plexippus")))
	if err != nil || !strings.Contains(string(data), `"days_at_25_celsius"`) {
		t.Errorf("json %s, %v", data, err)
	}
}

func TestExampleEntryIsAccepted(t *testing.T) {
	c, err := overlay(t, exampleEntry)
	if err != nil {
		t.Fatal(err)
	}
	sp, ok := c.Species("graphium-agamemnon")
	if !ok {
		t.Fatal("example species is missing")
	}
	if !strings.Contains(Explain(sp).String(), "line through 1/days of 5 days at 22 °C, 3.3 days at 27 °C") {
		t.Error("the explanation does not say how the egg was computed")
	}
	if !strings.Contains(HowToEnter, exampleEntry) {
		t.Error("the help does not show the example")
	}
}
