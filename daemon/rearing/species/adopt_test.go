package species

import (
	"testing"
)

func TestAdoptedConstantsReplaceTheLibrarys(t *testing.T) {
	c, err := library(t).With([]Entry{Adopted("morpho-peleides", []StageConstants{
		{Stage: "pupa", LowerC: 11.2, Requirement: 151, Spread: 0.05, Method: Regression, Source: "12 cohorts of 2025 and 2026"},
	}, 0)})
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := c.Species("morpho-peleides")
	at, _ := sp.StageIndex("pupa")
	st := sp.Stages[at]
	if *st.Spec.LowerC != 11.2 || st.Requirement != 151 || st.Spread != 0.05 || st.Method != Regression ||
		st.Source != "12 cohorts of 2025 and 2026" || st.Assumed || st.durations != nil {
		t.Errorf("pupa %+v", st)
	}
	if !sp.Stages[0].Assumed {
		t.Error("the egg is no longer marked as assumed")
	}
	if _, err := library(t).With([]Entry{Adopted("morpho-peleides", []StageConstants{{Stage: "pupa", LowerC: 11.2}}, 0)}); err == nil {
		t.Error("a requirement of zero was adopted")
	}
}
