package strict_test

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/strict"
)

type colour int

type shelf struct {
	At    strict.Place
	ID    string   `yaml:"id" rule:"need"`
	Paint colour   `yaml:"paint"`
	LowC  *float64 `yaml:"low_celsius" rule:"range=-10..30"`
	Day
	Weight map[string]float64 `yaml:"weight"`
	Wet    *bool              `yaml:"wet"`
}

// Day is embedded: its keys are those of the shelf.
type Day struct {
	Rest  *time.Duration `yaml:"rest" rule:"range=0s..12h"`
	Light string         `yaml:"light" rule:"one=sun|lamp"`
}

type house struct {
	Name    string       `yaml:"name"`
	Shelves *strict.Part `yaml:"shelves"`
	private int
}

func shelves() strict.Kind {
	return strict.Kind{Path: "shelves", Sample: "nothing", Scalars: map[reflect.Type]strict.Scalar{
		reflect.TypeFor[colour](): func(text string) (any, string, string) {
			if text == "white" {
				return colour(7), "", ""
			}
			return nil, fmt.Sprintf("unknown colour %q", text), strict.Choose(text, []string{"white"})
		},
	}}
}

func TestPartKeepsItsPlaceInTheFile(t *testing.T) {
	text := "\ufeffname: x\r\nshelves:\r\n\r\n" + `  - {id: a, paint: white, low_celsius: -3.5, rest: 0s, weight: {egg: 2}, wet: false}
  - id: a
    paint: whit
    low_celsius: 12 °C
    rest: 13h
    light: lam
    weight: {egg: 2 g}
    wet: "no"
    shade: 1
  - {paint: white}
`
	var h house
	r, ok := strict.Kind{}.Read("f.yaml", []byte(text), &h)
	if !ok || r.Err() != nil || h.Name != "x" || h.private != 0 || h.Shelves == nil {
		t.Fatalf("%v, %v, %+v", ok, r.Err(), h)
	}
	var got []shelf
	r = shelves().ReadPart(h.Shelves, &got)
	if ids := r.Distinct("shelves", []string{got[0].ID, got[1].ID, got[2].ID}, "rename it"); len(ids) != 1 {
		t.Errorf("ids = %q, want one", ids)
	}
	low, rest, wet := -3.5, time.Duration(0), false
	want := shelf{
		At: strict.Place{File: "f.yaml", Line: 4, Column: 5, Path: "shelves[0]", Excerpt: strings.Split(text, "\n")[3]},
		ID: "a", Paint: 7, LowC: &low, Day: Day{Rest: &rest}, Weight: map[string]float64{"egg": 2}, Wet: &wet,
	}
	if diff := cmp.Diff(want, got[0]); diff != "" {
		t.Errorf("first shelf (-want +got):\n%s", diff)
	}
	var faults strict.Faults
	if !errors.As(r.Err(), &faults) {
		t.Fatalf("error = %v, want Faults", r.Err())
	}
	var told []string
	for _, f := range faults {
		told = append(told, fmt.Sprintf("%d:%d %s: %s", f.Line, f.Column, f.Problem, f.Advice))
	}
	if diff := cmp.Diff([]string{
		"5:9 the id a stands twice in shelves: it is already on line 4: rename it",
		`6:12 unknown colour "whit": did you mean white?`,
		`7:18 "12 °C" is a number with a unit: write the number only; the key says the unit: celsius`,
		"8:11 13h is impossible for shelves[1].rest: it must lie from 0s to 12h",
		`9:12 "lam" is not possible here: did you mean lamp?`,
		`10:19 "2 g" is a number with a unit: write the number only`,
		"11:10 shelves[1].wet must be true or false: write true or false without quotes",
		"12:5 unknown key shade: known here: id, light, low_celsius, paint, rest, weight, wet",
		"13:5 the key id is missing: add id: to shelves[2]",
	}, told); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
	if !r.Faulty("shelves[1].wet") || r.Faulty("shelves[0]") || !r.Has("shelves[1].wet") || r.Has("shelves[0].light") {
		t.Error("wrong about what is faulty or there")
	}
}

func TestOverlayKeepsWhatIsNotStated(t *testing.T) {
	low, high, dry := 1.0, 0.0, false
	rest := time.Hour
	lower := shelf{ID: "a", Day: Day{Light: "sun"}, LowC: &low, Weight: map[string]float64{"egg": 1}}
	got := strict.Overlay(lower, shelf{At: strict.Place{Line: 3}, LowC: &high, Wet: &dry, Day: Day{Rest: &rest}})
	if diff := cmp.Diff(shelf{ID: "a", Day: Day{Light: "sun", Rest: &rest}, LowC: &high, Weight: lower.Weight, Wet: &dry}, got); diff != "" || *lower.LowC != 1 {
		t.Errorf("lower has %v (-want +got):\n%s", *lower.LowC, diff)
	}
}

func TestFaultWithoutAPlaceInAFile(t *testing.T) {
	err := strict.Faults{strict.Place{File: "adopted", Path: "moth.egg"}.Fault("it is wrong", "correct it")}.Err()
	if want := "adopted: it is wrong (in moth.egg)\n         correct it"; err.Error() != want {
		t.Errorf("error = %q, want %q", err, want)
	}
	if err := (strict.Faults{}).Err(); err != nil {
		t.Errorf("error = %v, want none", err)
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{"- {id: a, rest: 5}\n", "- id: 'a'\n  weight: {x: .nan}\n- &a [*a]\n", "- ? [a]\n  : b\n", "{{[", "\"", "- id: |\n    x\n", "- <<: 1\n", "~"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var all []shelf
		r, ok := shelves().Read("x.yaml", []byte(text), &all)
		err := r.Err()
		if err == nil {
			for _, s := range all {
				if !ok || s.ID == "" || s.At.Line < 1 {
					t.Errorf("accepted %+v", s)
				}
			}
			return
		}
		var faults strict.Faults
		if !errors.As(err, &faults) || len(faults) == 0 {
			t.Fatalf("error = %v, want Faults", err)
		}
		for _, fault := range faults {
			if fault.Line < 1 || fault.Line > 1+strings.Count(text, "\n") || fault.Column < 1 || fault.Column > 1+utf8.RuneCountInString(fault.Excerpt) || fault.Problem == "" {
				t.Errorf("a fault lies outside the text: %+v", fault)
			}
		}
	})
}
