package alerts_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

func TestPriorityFor(t *testing.T) {
	times := []time.Duration{10 * time.Minute, time.Hour, 5 * time.Hour, 24 * time.Hour}
	for _, c := range []struct {
		severity alerts.Severity
		want     string
	}{
		{alerts.Minor, "medium low low low"},
		{alerts.Moderate, "high medium low low"},
		{alerts.Major, "critical high medium low"},
		{alerts.Severe, "critical critical high medium"},
		{0, "none none none none"},
		{alerts.Severe + 1, "none none none none"},
	} {
		var got []string
		for _, d := range times {
			got = append(got, alerts.PriorityFor(c.severity, d).String())
		}
		if joined := strings.Join(got, " "); joined != c.want {
			t.Errorf("%v: %s, want %s", c.severity, joined, c.want)
		}
	}
	for d, want := range map[time.Duration]alerts.Priority{
		0: 0, -time.Hour: 0, 30*time.Minute - 1: alerts.Critical, 30 * time.Minute: alerts.High,
		2 * time.Hour: alerts.Medium, 8 * time.Hour: alerts.Low,
	} {
		if got := alerts.PriorityFor(alerts.Major, d); got != want {
			t.Errorf("major within %v: %v, want %v", d, got, want)
		}
	}
}

func TestDeadbandOnReturnOnly(t *testing.T) {
	for _, c := range []struct {
		value, limit, deadband float64
		above, below           alerts.Truth
	}{
		{33.01, 33, 0.3, alerts.True, alerts.Between},
		{33, 33, 0.3, alerts.Between, alerts.Between},
		{32.7, 33, 0.3, alerts.Between, alerts.True},
		{32.6, 33, 0.3, alerts.False, alerts.True},
		{33, 33, 0, alerts.False, alerts.False},
		{33.2, 33, 0.3, alerts.True, alerts.Between},
		{math.NaN(), 33, 0.3, alerts.Unknown, alerts.Unknown},
		{33, math.Inf(1), 0.3, alerts.Unknown, alerts.Unknown},
	} {
		if got := alerts.Above(c.value, c.limit, c.deadband); got != c.above {
			t.Errorf("%v above %v: %v, want %v", c.value, c.limit, got, c.above)
		}
		if got := alerts.Below(c.value, c.limit, c.deadband); got != c.below {
			t.Errorf("%v below %v: %v, want %v", c.value, c.limit, got, c.below)
		}
	}
}

func TestDefinitionsThatAreNoAlarms(t *testing.T) {
	good := definition("heat", nil)
	for name, c := range map[string]struct {
		defs  []alerts.Definition
		rules []alerts.FoldRule
		want  []string
	}{
		"everything missing": {
			defs: []alerts.Definition{{OnDelay: -1, Deadband: math.NaN()}},
			want: []string{"no name", "title is empty", "cause is empty", "first action is empty", "no priority", "negative", "deadband"},
		},
		"twice":          {defs: []alerts.Definition{good, good}, want: []string{`"heat": given twice`}},
		"unknown root":   {defs: []alerts.Definition{good}, rules: []alerts.FoldRule{{Root: "x", Folds: []alerts.Condition{"heat"}}}, want: []string{`root "x" has no definition`}},
		"unknown folded": {defs: []alerts.Definition{good}, rules: []alerts.FoldRule{{Root: "heat", Folds: []alerts.Condition{"x"}}}, want: []string{`"x" under root "heat" has no definition`}},
		"circle": {
			defs: []alerts.Definition{good, definition("b", nil)},
			rules: []alerts.FoldRule{
				{Root: "heat", Folds: []alerts.Condition{"b"}}, {Root: "b", Folds: []alerts.Condition{"heat"}, Grace: -1},
			},
			want: []string{"in a circle", "grace of root \"b\" is negative"},
		},
	} {
		_, err := alerts.NewMachine(c.defs, c.rules...)
		if err == nil {
			t.Errorf("%s: accepted", name)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %q does not say %q", name, err, want)
			}
		}
	}
}

func TestHeadline(t *testing.T) {
	var english wording.Reader
	german := wording.Reader{Language: wording.German, Scale: wording.Fahrenheit}
	warm := 27.0
	for want, got := range map[string]string{
		"Nursery 34.2 °C: too hot (limit 33.0 °C)": alerts.Headline(english, "too hot", "Nursery", wording.Measure{Value: 34.21, Limit: 33, Unit: "°C"}),
		"61 min: too hot (limit 15 min)":           alerts.Headline(english, "too hot", "", wording.Measure{Value: 61, Limit: 15, Unit: "min"}),
		"Nursery: too hot":                         alerts.Headline(english, "too hot", "Nursery", wording.Measure{}),
		"Nursery 1.90 kPa (about 47 % at 27 °C): too dry (limit 1.10 kPa (about 69 % at 27 °C))": alerts.Headline(english, "too dry", "Nursery",
			wording.Measure{Value: 1.9, Limit: 1.1, Unit: "kPa", AirC: &warm}),
		"Nursery 93,6 °F: zu heiß (Grenze 91,4 °F)": alerts.Headline(german, "too hot", "Nursery", wording.Measure{Value: 34.21, Limit: 33, Unit: "°C"}),
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
