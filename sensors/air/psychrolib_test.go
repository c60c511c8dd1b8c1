package air

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

const psychrolibVersion = "1.1.1"

// unavailable skips where a tool is missing, and fails where everything has
// to be there.
func unavailable(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// psychrolib returns a directory that holds the package, installing it on
// first use into REARGUARD_NPM_CACHE or the user's cache directory.
func psychrolib(t *testing.T) string {
	t.Helper()
	for _, tool := range []string{"node", "npm"} {
		if _, err := exec.LookPath(tool); err != nil {
			unavailable(t, "install %s to compare with psychrolib (apt-get install nodejs npm)", tool)
		}
	}
	root := os.Getenv("REARGUARD_NPM_CACHE")
	if root == "" {
		if cache, err := os.UserCacheDir(); err == nil {
			root = filepath.Join(cache, "rearguard-tests")
		} else {
			root = t.TempDir()
		}
	}
	dir := filepath.Join(root, "psychrolib-"+psychrolibVersion)
	modules := filepath.Join(dir, "node_modules")
	if _, err := os.Stat(filepath.Join(modules, "psychrolib", "package.json")); err == nil {
		return modules
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	install := exec.CommandContext(t.Context(), "npm", "install", "--prefix", dir,
		"--no-audit", "--no-fund", "--ignore-scripts", "psychrolib@"+psychrolibVersion)
	if out, err := install.CombinedOutput(); err != nil {
		unavailable(t, "npm install psychrolib@%s: %v\n%s", psychrolibVersion, err, out)
	}
	return modules
}

// psychrolibInput is what psychrolib.js is asked: temperature in °C, relative
// humidity as a ratio and pressure in Pa, and altitudes in m.
type psychrolibInput struct {
	Cases     [][3]float64 `json:"cases"`
	Altitudes []float64    `json:"altitudes"`
}

type psychrolibOutput struct {
	Cases     []psychrolibCase
	Pressures []float64
}

type psychrolibCase struct {
	Saturation, Vapor, Deficit, Dew, Humidity, Ratio, Specific, Wet float64
}

// greatest keeps the greatest difference of one quantity and where it was.
type greatest struct {
	difference float64
	at         string
}

func (g *greatest) see(difference float64, at string) {
	if d := math.Abs(difference); d > g.difference || g.at == "" {
		g.difference, g.at = d, at
	}
}

// askPsychrolib has the library compute all of input.
func askPsychrolib(t *testing.T, input psychrolibInput) (output psychrolibOutput) {
	t.Helper()
	stdin, err := json.Marshal(input)
	if err != nil {
		t.Fatal(err)
	}
	run := exec.CommandContext(t.Context(), "node", filepath.Join("testdata", "psychrolib.js"))
	run.Env = append(os.Environ(), "NODE_PATH="+psychrolib(t))
	run.Stdin = bytes.NewReader(stdin)
	var stderr bytes.Buffer
	run.Stderr = &stderr
	stdout, err := run.Output()
	if err != nil {
		t.Fatalf("node: %v\n%s", err, stderr.String())
	}
	if err := json.Unmarshal(stdout, &output); err != nil {
		t.Fatal(err)
	}
	if len(output.Cases) != len(input.Cases) || len(output.Pressures) != len(input.Altitudes) {
		t.Fatalf("psychrolib answered %d of %d cases, %d of %d altitudes",
			len(output.Cases), len(input.Cases), len(output.Pressures), len(input.Altitudes))
	}
	return output
}

// grid returns airs over the whole range, and the same for psychrolib, which
// takes relative humidity over ice below the triple point.
func grid(t *testing.T) (airs []Air, input psychrolibInput) {
	t.Helper()
	for c := LowestTemperatureC; c <= HighestTemperatureC; c += 2.5 {
		for _, rh := range []float64{1, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 99, 100} {
			for _, p := range []float64{60000, 80000, 95461, 101325, 108000} {
				libraryHumidity := rh / 100
				if c <= TriplePointC {
					water, ice := must(SaturationOverWaterPa(c))(t), iceVapor(c)
					if libraryHumidity *= water / ice; libraryHumidity > 1 {
						continue // supersaturated over ice: psychrolib has no such air
					}
				}
				input.Cases = append(input.Cases, [3]float64{c, libraryHumidity, p})
				airs = append(airs, must(Derive(c, rh, p))(t))
			}
		}
	}
	for m := LowestAltitudeM; m <= HighestAltitudeM; m += 250 {
		input.Altitudes = append(input.Altitudes, m)
	}
	return airs, input
}

// differences are the greatest of each quantity.
type differences struct {
	saturation, vapor, deficit, dew, frost, humidity, ratio, specific, wet, pressure greatest
	// eitherBulb counts airs in which the library's bulb is iced and ours wet.
	eitherBulb int
}

// see compares one air. The library's dew point is the frost point below the
// triple point.
func (d *differences) see(t *testing.T, a Air, want psychrolibCase) {
	t.Helper()
	at := fmt.Sprintf("%g °C, %g %%, %g Pa", a.TemperatureC, a.RelativeHumidityPercent, a.PressurePa)
	if a.TemperatureC > TriplePointC {
		d.saturation.see(a.SaturationVaporPressurePa/want.Saturation-1, at)
		d.deficit.see((a.VaporPressureDeficitPa-want.Deficit)/want.Saturation, at)
	} else {
		d.saturation.see(iceVapor(a.TemperatureC)/want.Saturation-1, at)
	}
	d.vapor.see(a.VaporPressurePa/want.Vapor-1, at)
	d.ratio.see(a.HumidityRatioKgKg/want.Ratio-1, at)
	d.specific.see(a.SpecificHumidityKgKg/want.Specific-1, at)
	if a.DewPointC > 0 {
		d.dew.see(a.DewPointC-want.Dew, at)
		d.humidity.see(must(RelativeHumidityFromDewPoint(a.TemperatureC, want.Dew))(t)-100*want.Humidity, at)
	} else if a.FrostPointC < -0.01 {
		d.frost.see(a.FrostPointC-want.Dew, at)
	}
	// Where a wet and an iced bulb are both possible the choice is a
	// convention; the library's bisection takes either.
	difference := a.WetBulbC - want.Wet
	if a.WetBulbC >= 0 && want.Wet < 0 {
		ice := bulb{overIce, 2830, 0.24, 2.1}
		difference = ice.solve(a.TemperatureC, a.HumidityRatioKgKg, a.PressurePa, -60, TriplePointC) - want.Wet
		d.eitherBulb++
	}
	d.wet.see(difference, at)
}

// TestBesidePsychrolib compares every quantity with the general psychrometric
// library psychrolib over a grid.
func TestBesidePsychrolib(t *testing.T) {
	airs, input := grid(t)
	output := askPsychrolib(t, input)
	var d differences
	for i, a := range airs {
		d.see(t, a, output.Cases[i])
	}
	for i, m := range input.Altitudes {
		d.pressure.see(must(PressureAtAltitude(m))(t)-output.Pressures[i], fmt.Sprintf("%g m", m))
	}

	t.Logf("%d cases beside psychrolib %s, %d of them with its bulb iced and ours wet", len(airs), psychrolibVersion, d.eitherBulb)
	for _, q := range []struct {
		name, unit string
		got        greatest
		bound      float64
	}{
		{"saturation vapour pressure", "of it", d.saturation, 2.5e-4},
		{"vapour pressure", "of it", d.vapor, 2.5e-4},
		{"vapour pressure deficit", "of saturation", d.deficit, 2.5e-4},
		{"dew point", "°C", d.dew, 0.005},
		{"frost point", "°C", d.frost, 0.005},
		{"humidity from dew point", "%", d.humidity, 0.01},
		{"humidity ratio", "of it", d.ratio, 5e-4},
		{"specific humidity", "of it", d.specific, 5e-4},
		{"wet bulb", "°C", d.wet, 0.005},
		{"standard pressure", "Pa", d.pressure, 1e-6},
	} {
		t.Logf("greatest difference of %-27s %.3g %s, at %s", q.name+":", q.got.difference, q.unit, q.got.at)
		if q.got.at == "" || q.got.difference > q.bound {
			t.Errorf("%s differs by %g %s at %s, want at most %g", q.name, q.got.difference, q.unit, q.got.at, q.bound)
		}
	}
}
