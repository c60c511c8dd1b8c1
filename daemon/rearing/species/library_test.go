package species

import (
	"math"
	"strings"
	"testing"
)

func TestLibraryIsSourcedOrMarked(t *testing.T) {
	all := library(t).All()
	if len(all) < 20 {
		t.Fatalf("library has %d species, want at least 20", len(all))
	}
	for _, sp := range all {
		if sp.CommonName == "" || sp.ScientificName == "" || sp.RearedFor == "" || sp.HostPlant == "" {
			t.Errorf("%s: names, purpose or host plant missing", sp.ID)
		}
		for i, st := range sp.Stages {
			if last := i == len(sp.Stages)-1; last != (st.ID == "adult") || last != (st.Rate == nil) {
				t.Errorf("%s %s: only the adult is last and without an end", sp.ID, st.ID)
				continue
			}
			for _, l := range st.AirLimits() {
				if l.Source == "" || strings.Contains(l.Source, "no published source") && !l.Assumed {
					t.Errorf("%s %s: %s limit without source or mark", sp.ID, st.ID, l.Kind)
				}
			}
			if st.ID != "egg" && len(st.Delicate) == 0 {
				t.Errorf("%s %s: no delicate window", sp.ID, st.ID)
			}
			if st.ID == "adult" {
				continue
			}
			if st.Source == "" || st.Method == "" || st.Requirement <= 0 || st.Spread <= 0 {
				t.Errorf("%s %s: constants incomplete: %+v", sp.ID, st.ID, st)
			}
			unsourced := strings.Contains(st.Source, "no published source") || strings.Contains(st.Source, "from memory")
			if unsourced && !st.Assumed {
				t.Errorf("%s %s: %q is not marked as assumed", sp.ID, st.ID, st.Source)
			}
			// No stage of a published linear constant may mix methods.
			if st.Method == IkemotoTakai && strings.Contains(strings.ToLower(st.Source), "regression") {
				t.Errorf("%s %s: method and source differ", sp.ID, st.ID)
			}
		}
	}
}

func TestLibraryCarriesPublishedConstants(t *testing.T) {
	c := library(t)
	for _, tt := range []struct {
		species    ID
		from, to   StageID
		lower, sum float64
	}{
		// Godin and Boivin 1998; Marchioro and Foerster 2011; Mironidis and
		// Savopoulou-Soultani 2008; Aghdam et al. 2009; Cui et al. 2018;
		// Bryant, Thomas and Bale 1997; Ito 2001; Gomaa 1973; Doerr et al. 2002.
		{"pieris-rapae", "egg", "pupa", 10.0, 319.7},
		{"plutella-xylostella", "egg", "egg", 7.76, 52.4},
		{"plutella-xylostella", "larva-1", "prepupa", 5.04, 185.2},
		{"plutella-xylostella", "pupa", "pupa", 6.90, 80.6},
		{"helicoverpa-armigera", "larva-1", "prepupa", 10.52, 238},
		{"cydia-pomonella", "larva-1", "prepupa", 9.12, 303},
		{"heliothis-viriplaca", "pupa", "pupa", 5.60, 309.19},
		{"aglais-io", "larva-1", "pupa", 9.23, 420.7},
		{"argyreus-hyperbius", "egg", "pupa", 10, 480},
		{"samia-ricini", "egg", "pupa", 7, 1005.6},
		{"lacanobia-subjuncta", "egg", "egg", 6.6, 75},
	} {
		sp, ok := c.Species(tt.species)
		if !ok {
			t.Errorf("library has no %s", tt.species)
			continue
		}
		from, _ := sp.StageIndex(tt.from)
		to, _ := sp.StageIndex(tt.to)
		sum := 0.0
		for _, st := range sp.Stages[from : to+1] {
			sum += st.Requirement
			if *st.Spec.LowerC != tt.lower {
				t.Errorf("%s %s: threshold %v, published %v", tt.species, st.ID, *st.Spec.LowerC, tt.lower)
			}
		}
		if math.Abs(sum-tt.sum) > 1e-9*tt.sum {
			t.Errorf("%s %s to %s: %v degree-days, published %v", tt.species, tt.from, tt.to, sum, tt.sum)
		}
	}
}

func TestFromStageDurations(t *testing.T) {
	ten := 10.0
	for _, tt := range []struct {
		name                         string
		ds                           []stageDuration
		lower                        *float64
		threshold, requirement, bits float64
	}{
		{"one duration, assumed threshold", []stageDuration{{26, 5}}, &ten, 10, 80, 1e-12},
		{"two durations, exact line", []stageDuration{{20, 8}, {30, 4}}, nil, 10, 80, 1e-9},
		// Spodoptera frugiperda in Egypt (Egypt. Acad. J. Biol. Sci. A):
		// least squares gives egg 15.790 and 30.19, larva 10.374 and 359.85.
		{"fall armyworm egg", []stageDuration{{20, 6.9}, {25, 3.4}, {30, 2.1}}, nil, 15.790, 30.19, 5e-3},
		{"fall armyworm larva", []stageDuration{{20, 38.5}, {25, 23.7}, {30, 18.6}}, nil, 10.374, 359.85, 5e-3},
		// Helicoverpa armigera larvae 15 to 35 °C (Noor-ul-Ane et al. 2018,
		// Bull. Entomol. Res. 108:295): 11.117 and 248.23.
		{"bollworm larva", []stageDuration{{15, 70.2}, {17.5, 49.7}, {20, 25.3}, {25, 15.9}, {27.5, 15.1}, {30, 13.2}, {35, 10.8}}, nil, 11.117, 248.23, 5e-3},
	} {
		threshold, requirement, err := fromStageDurations(tt.ds, tt.lower)
		if err != nil || math.Abs(threshold-tt.threshold) > tt.bits || math.Abs(requirement-tt.requirement) > tt.bits {
			t.Errorf("%s: %v °C, %v degree-days, %v; want %v and %v", tt.name, threshold, requirement, err, tt.threshold, tt.requirement)
		}
	}
	for name, ds := range map[string][]stageDuration{
		"none":            nil,
		"one, no lower":   {{26, 5}},
		"same warmth":     {{26, 5}, {26, 6}},
		"slower when hot": {{20, 4}, {30, 8}},
		"absurd":          {{20, 8}, {30, 7.9}},
	} {
		if _, _, err := fromStageDurations(ds, nil); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, _, err := fromStageDurations([]stageDuration{{9, 5}}, &ten); err == nil {
		t.Error("a duration below the threshold was accepted")
	}
}

func TestSurvivalIsPublishedOrAbsent(t *testing.T) {
	for _, sp := range library(t).All() {
		share, stated := sp.Survival()
		// Bombyx mori: 93.15 % hatch and 93.12 % pupate at 25 °C and 70 to 80 %
		// (Hussain et al. 2011, Afr. J. Biotechnol.).
		if want := sp.ID == "bombyx-mori"; stated != want || want && math.Abs(share-0.9315*0.9312) > 0.005 {
			t.Errorf("%s: survival %v, stated %v", sp.ID, share, stated)
		}
	}
}
