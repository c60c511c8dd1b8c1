package species

import (
	"errors"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/strict"
)

func overlay(t *testing.T, text string) (*Catalog, error) {
	t.Helper()
	entries, err := Parse("facility.yaml", []byte(text))
	if err != nil {
		return nil, err
	}
	return library(t).With(entries)
}

func TestFacilityChangesOnlyWhatItStates(t *testing.T) {
	c, err := overlay(t, `
- id: morpho-peleides
  limits:
    heat_celsius: 30
  stages:
    - id: pupa
      durations:
        - {temperature_celsius: 24, days: 14}
        - {temperature_celsius: 28, days: 10}
      spread: 0.06
`)
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := c.Species("morpho-peleides")
	before := species(t, "morpho-peleides")
	pupa, _ := sp.StageIndex("pupa")
	got := sp.Stages[pupa]
	if got.Requirement < 139.9 || got.Requirement > 140.1 || *got.Spec.LowerC < 13.99 || *got.Spec.LowerC > 14.01 || got.Spread != 0.06 {
		t.Errorf("pupa = %v degree-days above %v, spread %v; want 140 above 14, spread 0.06", got.Requirement, *got.Spec.LowerC, got.Spread)
	}
	if got.Source != "the facility's own entry" || got.Method != FromDurations {
		t.Errorf("pupa source %q, method %q", got.Source, got.Method)
	}
	if sp.Origin != "library, changed by facility" || sp.CommonName != before.CommonName {
		t.Errorf("origin %q, name %q", sp.Origin, sp.CommonName)
	}
	if sp.Stages[0].Requirement != before.Stages[0].Requirement || sp.Stages[0].Limits.Chill.Value != before.Stages[0].Limits.Chill.Value {
		t.Error("the egg changed although the facility said nothing about it")
	}
	if sp.Stages[0].Limits.Heat.Value != 30 || !before.Stages[0].Assumed {
		t.Error("the species-wide heat limit did not reach the egg")
	}
	if before.Stages[0].Limits.Heat.Value == 30 {
		t.Error("the library itself was changed")
	}
}

func TestNewSpeciesWithStagesInOrder(t *testing.T) {
	c, err := overlay(t, `
- id: graphium-agamemnon
  scientific_name: Graphium agamemnon
  stages:
    - {id: egg, lower_celsius: 12, durations: [{temperature_celsius: 26, days: 4}]}
    - id: larva-1
      lower_celsius: 12
      upper_celsius: 34
      cutoff: vertical
      requirement_degree_days: 40
      limits: {drying_kilopascals: 1.1, drying_after: 90m}
    - {id: pupa, lower_celsius: 12, requirement_degree_days: 150, distribution: lognormal}
    - id: adult
- id: pieris-rapae
  stages:
    - id: larva-6
      lower_celsius: 10
      requirement_degree_days: 20
`)
	if err != nil {
		t.Fatal(err)
	}
	sp, ok := c.Species("graphium-agamemnon")
	if !ok || sp.CommonName != "Graphium agamemnon" || sp.Origin != "facility" || !sp.Assumed() {
		t.Fatalf("new species: %+v", sp)
	}
	if l := sp.Stages[1].Limits.Drying; l.Value != 1.1 || l.After != 90*time.Minute || !l.Assumed {
		t.Errorf("limits = %+v", l)
	}
	if sp.Stages[0].Requirement != 56 || sp.Stages[2].Distribution != logNormal {
		t.Errorf("stages = %+v", sp.Stages)
	}
	// An extra instar goes to its place.
	rapae, _ := c.Species("pieris-rapae")
	at, _ := rapae.StageIndex("larva-6")
	if rapae.Stages[at-1].ID != "larva-5" || rapae.Stages[at+1].ID != "prepupa" {
		t.Errorf("larva-6 stands between %s and %s", rapae.Stages[at-1].ID, rapae.Stages[at+1].ID)
	}
}

func TestEveryFaultIsToldWithItsPlace(t *testing.T) {
	text := `- id: Bad Name
- id: good-name
  comon_name: Typo
  stages:
    - {id: egg, lower_celsius: 12 °C, requirement_degree_days: 50}
    - {id: larva-99}
    - id: pupa
      spread: 0.9
      limits:
        drying_after: soon
`
	_, err := Parse("facility.yaml", []byte(strings.Repeat("\n", 40)+text))
	var ps strict.Faults
	if !errors.As(err, &ps) {
		t.Fatalf("error %v is no Faults", err)
	}
	want := []struct {
		line int
		text string
	}{
		{41, "lower-case"}, {43, "did you mean common_name?"}, {45, `"12 °C" is a number with a unit`}, {46, "stage id"}, {48, "it must lie from 0 to 0.4"}, {50, "1h30m"},
	}
	if len(ps) != len(want) {
		t.Fatalf("%d faults, want %d:\n%v", len(ps), len(want), err)
	}
	for i, w := range want {
		if ps[i].Line != w.line || !strings.Contains(ps[i].String(), w.text) {
			t.Errorf("fault %d: %s; want line %d with %q", i, ps[i], w.line, w.text)
		}
		if ps[i].Excerpt == "" || ps[i].Column == 0 {
			t.Errorf("fault %d has no excerpt or column: %+v", i, ps[i])
		}
	}
}

func TestContradictionsAreRefused(t *testing.T) {
	const head = "- id: x-y\n  common_name: X\n  stages:\n"
	for name, tt := range map[string]struct{ text, want string }{
		"no adult":         {head + "    - {id: egg, lower_celsius: 10, requirement_degree_days: 5}\n    - {id: pupa, lower_celsius: 10, requirement_degree_days: 5}\n", "last stage must be adult"},
		"one stage":        {head + "    - id: adult\n", "at least two stages"},
		"no constants":     {head + "    - id: egg\n    - id: adult\n", "exactly one of"},
		"two ways":         {head + "    - {id: egg, lower_celsius: 10, requirement_degree_days: 5, durations: [{temperature_celsius: 20, days: 3}]}\n    - id: adult\n", "exactly one of"},
		"no threshold":     {head + "    - {id: egg, requirement_degree_days: 5}\n    - id: adult\n", "lower_celsius"},
		"upper below":      {head + "    - {id: egg, lower_celsius: 15, upper_celsius: 12, requirement_degree_days: 5}\n    - id: adult\n", "not above the lower"},
		"share of nothing": {head + "    - {id: egg, share: 1}\n    - id: adult\n", "total"},
		"order":            {head + "    - {id: pupa, lower_celsius: 10, requirement_degree_days: 5}\n    - {id: egg, lower_celsius: 10, requirement_degree_days: 5}\n    - id: adult\n", "before"},
		"crossed limits":   {head + "    - {id: egg, lower_celsius: 10, requirement_degree_days: 5, limits: {heat_celsius: 10, chill_celsius: 20}}\n    - id: adult\n", "above chill"},
		"shares short":     {"- id: x-y\n  common_name: X\n  totals: [{id: all, lower_celsius: 10, requirement_degree_days: 100, method: regression, source: me}]\n  stages:\n    - {id: egg, share: 0.5}\n    - id: adult\n", "add up to 1"},
		"twice":            {"- id: x-y\n- id: x-y\n", "twice"},
		"a mapping":        {"morpho: 3\n", "must be a list"},
		"syntax":           {"- id: [\n", ""},
		"unknown model":    {head + "    - {id: egg, model: magic, parameters: {a: 1}}\n    - id: adult\n", "magic"},
	} {
		if _, err := overlay(t, tt.text); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, tt.want)
		}
	}
}

func FuzzParseSpecies(f *testing.F) {
	f.Add("- id: a-b\n  common_name: A\n  stages:\n    - {id: egg, lower_celsius: 1, requirement_degree_days: 5}\n    - id: adult\n")
	f.Add("- {id: x, stages: [{id: larva-2, durations: [{temperature_celsius: 1e999, days: .nan}]}]}")
	f.Add("&a [*a]")
	f.Add("- ? [a]\n  : b\n")
	lib, err := Library()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		entries, err := Parse("fuzz", []byte(text))
		if err != nil {
			var ps strict.Faults
			if !errors.As(err, &ps) || len(ps) == 0 {
				t.Fatalf("error %v does not list problems", err)
			}
			return
		}
		c, err := lib.With(entries)
		if err != nil {
			return
		}
		for _, e := range entries {
			sp, ok := c.Species(e.doc.ID)
			if !ok {
				t.Fatalf("accepted species %q is missing", e.doc.ID)
			}
			for _, st := range sp.Stages {
				if st.Rate != nil && !(st.Requirement > 0) {
					t.Fatalf("accepted requirement %v", st.Requirement)
				}
			}
		}
	})
}
