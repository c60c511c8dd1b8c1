package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"rearguard/cmd/internal/cli"

	"github.com/alecthomas/kong"
)

// runProgram parses args into command, a pointer to one subcommand, and runs
// it on stdin.
func runProgram(t *testing.T, command any, stdin string, args ...string) (stdout, stderr string, err error) {
	t.Helper()
	var out, errOut bytes.Buffer
	parser, err := kong.New(command, kong.Exit(func(int) { t.Error("the parser left the program") }),
		kong.WithHyphenPrefixedParameters(true), kong.BindTo(t.Context(), (*context.Context)(nil)),
		kong.Bind(&cli.Env{In: strings.NewReader(stdin), Out: &out, ErrOut: &errOut, Logger: slog.New(slog.DiscardHandler), Now: func() time.Time { return time.Date(2026, 6, 9, 12, 0, 0, 0, time.UTC) }}))
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		return "", "", cli.Unusable("%w", err)
	}
	err = parsed.Run()
	return out.String(), errOut.String(), err
}

func TestAirJSON(t *testing.T) {
	stdout, _, err := runProgram(t, &airCommand{}, "", "--temperature", "27", "--humidity", "80", "--json")
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]*float64
	if err := json.Unmarshal([]byte(stdout), &got); err != nil {
		t.Fatalf("%v in %s", err, stdout)
	}
	// Computed independently from IAPWS-IF97 saturation pressures and ASHRAE
	// Fundamentals 2017 chapter 1 equation 33, to the digits given.
	for key, want := range map[string][2]float64{
		"temperature_celsius":                     {27, 0},
		"relative_humidity_ratio":                 {.8, 0},
		"pressure_pascals":                        {101325, 0},
		"saturation_vapor_pressure_pascals":       {2854.3 / .8, .5},
		"vapor_pressure_deficit_pascals":          {713.6, .2},
		"dew_point_celsius":                       {23.253, .002},
		"wet_bulb_celsius":                        {24.26, .01},
		"humidity_ratio_kg_per_kg":                {.018028, 3e-6},
		"absolute_humidity_grams_per_cubic_meter": {20.605, .003},
	} {
		if got[key] == nil || math.Abs(*got[key]-want[0]) > want[1] {
			t.Errorf("%s: want %g within %g in %s", key, want[0], want[1], stdout)
		}
	}
	if frost, there := got["frost_point_celsius"]; frost != nil || !there {
		t.Errorf("frost_point_celsius is not null in %s", stdout)
	}
}

func TestAirPressure(t *testing.T) {
	for _, args := range [][]string{{"--altitude", "1000"}, {"--pressure", "898.75"}} {
		stdout, _, err := runProgram(t, &airCommand{}, "", append(args, "--temperature=-5", "--humidity=40", "--json")...)
		if err != nil {
			t.Fatal(err)
		}
		var got airReport
		if err := json.Unmarshal([]byte(stdout), &got); err != nil {
			t.Fatal(err)
		}
		// ASHRAE Fundamentals 2017 chapter 1 table 1: 1000 m.
		if math.Abs(got.Pressure-89875) > 1 {
			t.Errorf("%v: pressure %g, want 89875", args, got.Pressure)
		}
		if got.FrostPoint == nil || got.DewPoint == nil || *got.FrostPoint <= *got.DewPoint {
			t.Errorf("%v: no frost point above the dew point in %s", args, stdout)
		}
	}
}

func TestAirText(t *testing.T) {
	stdout, _, err := runProgram(t, &airCommand{}, "", "--temperature", "27", "--humidity", "68")
	if err != nil {
		t.Fatal(err)
	}
	want := `temperature                  27.00 °C
relative humidity            68.00 % over water
pressure                   1013.25 hPa
saturation pressure         3.5680 kPa over water
vapour pressure             2.4263 kPa
vapour pressure deficit     1.1418 kPa
dew point                    20.59 °C
wet bulb                     22.47 °C
humidity ratio              15.258 g per kg of dry air
absolute humidity           17.515 g/m³
`
	if stdout != want {
		t.Errorf("got:\n%swant:\n%s", stdout, want)
	}
	stdout, _, err = runProgram(t, &airCommand{}, "", "--temperature", "27", "--humidity", "0")
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(stdout, "NaN") || !strings.Contains(stdout, "too dry to have a dew point") {
		t.Errorf("dry air is described as:\n%s", stdout)
	}
}

// TestAirFromMirror gives the points that belong to a humidity back in place of
// it.
func TestAirFromMirror(t *testing.T) {
	report := func(args ...string) (r airReport) {
		t.Helper()
		stdout, _, err := runProgram(t, &airCommand{}, "", append(args, "--json")...)
		if err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		if err := json.Unmarshal([]byte(stdout), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, temperature := range []string{"27", "-5"} {
		want := report("--temperature="+temperature, "--humidity=40")
		for flag, point := range map[string]*float64{"--dew-point": want.DewPoint, "--frost-point": want.FrostPoint} {
			if point == nil {
				continue
			}
			got := report("--temperature="+temperature, fmt.Sprintf("%s=%.12f", flag, *point))
			if math.Abs(got.RelativeHumidity-0.4) > 1e-9 {
				t.Errorf("%s %g at %s °C: relative humidity %g, want 0.4", flag, *point, temperature, got.RelativeHumidity)
			}
		}
	}
}

func TestAirUnusable(t *testing.T) {
	for _, args := range [][]string{
		{"--temperature", "27"},
		{"--humidity", "27"},
		{"--temperature", "61", "--humidity", "50"},
		{"--temperature", "-21", "--humidity", "50"},
		{"--temperature", "27", "--humidity", "101"},
		{"--temperature", "27", "--humidity", "-1"},
		{"--temperature", "NaN", "--humidity", "50"},
		{"--temperature", "Inf", "--humidity", "50"},
		{"--temperature", "warm", "--humidity", "50"},
		{"--temperature", "27", "--humidity", "50", "--dew-point", "15"},
		{"--temperature", "27", "--dew-point", "28"},
		{"--temperature", "27", "--dew-point", "NaN"},
		{"--temperature", "-5", "--frost-point", "1"},
		{"--temperature", "-10", "--frost-point", "-2"},
		{"--temperature", "27", "--humidity", "50", "--altitude", "12000"},
		{"--temperature", "27", "--humidity", "50", "--pressure", "101325"},
		{"--temperature", "27", "--humidity", "50", "--pressure", "1000", "--altitude", "5"},
	} {
		stdout, _, err := runProgram(t, &airCommand{}, "", args...)
		if !cli.IsUnusable(err) || stdout != "" {
			t.Errorf("%v: got %v and output %q, want unusable input", args, err, stdout)
		}
	}
}
