package simulate

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/foldtest"
)

// testRuns are the runs that every test of the module plays. More are played by
// prove simulate.
const testRuns = 30

// inMemory is where runs keep their records, in memory where there is such a
// place.
func inMemory(t *testing.T) string {
	t.Helper()
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return t.TempDir()
}

// What befalls the daemon breaks no rule.
func TestRunsBreakNoRule(t *testing.T) {
	foldtest.WithoutRace(t)
	report, err := Run(t.Context(), Options{Seed: 1, Runs: testRuns, Workers: 2, Folder: inMemory(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d runs", report.Runs)
	for _, b := range report.Breaches {
		t.Errorf("seed %d: %s\n%s", b.Seed, b.Rule, b.Story)
	}
}

// played plays a seed and returns the run.
func played(t *testing.T, seed uint64) *run {
	t.Helper()
	known, err := site.NewCatalogs()
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	empty, err := emptyRecords(t.Context(), folder)
	if err != nil {
		t.Fatal(err)
	}
	o := Options{}
	allowed, spoken, err := o.allowed()
	if err != nil {
		t.Fatal(err)
	}
	r := newRun(world.Draw(seed, allowed, spoken), ground{known, empty}, folder)
	r.playAll(t.Context())
	if r.failed != nil {
		t.Fatal(r.failed)
	}
	return r
}

// A seed reproduces its run: the same happens, the same is said and stored, and
// the same alarms come of it.
func TestSeedReproducesItsRun(t *testing.T) {
	foldtest.WithoutRace(t)
	told := func() string {
		r := played(t, 5)
		var b strings.Builder
		b.WriteString(strings.Join(r.story, "\n"))
		for _, m := range r.phone.taken {
			b.WriteString("\n" + m.Notice.Key + " " + m.Subject)
		}
		if err := r.process.store.Close(); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if first, second := told(), told(); first != second {
		t.Errorf("first:\n%s\n\nthen:\n%s", first, second)
	}
}

// The checks of a run see what they are there for: here what was said, and what
// people entered, is altered after the fact.
func TestChecksSeeWhatIsWrong(t *testing.T) {
	foldtest.WithoutRace(t)
	for rule, alter := range map[string]func(*run){
		"history lost": func(r *run) {
			r.ledger = append(r.ledger, &world.Said{Sensor: r.sensors[0], ValueC: 99.5, Handed: 1, Acked: true, Binding: true})
		},
		"history invented": func(r *run) { r.ledger = r.ledger[len(r.ledger)/2:] },
		"thermal time":     func(r *run) { r.world.cohorts[0].started = r.world.cohorts[0].started.Add(-30 * 24 * 60 * 60e9) },
		"cohort lost":      func(r *run) { r.world.cohorts = append(r.world.cohorts, &cohort{id: "nobody", entered: true}) },
		"growth":           func(r *run) { r.ledger, r.world.junk = nil, -growthBase/growthMessage },
	} {
		r := played(t, 7)
		alter(r)
		end := final{r}
		for _, check := range []func(context.Context){end.checkHistory, end.checkThermalTime, end.checkCohorts, end.checkGrowth} {
			check(t.Context())
			if r.broken != nil && r.broken.Rule != rule {
				r.broken = nil
			}
		}
		if r.broken == nil {
			t.Errorf("nobody sees %q", rule)
		}
		if err := r.process.store.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A shrunk plan keeps what its breach needs, and nothing else.
func TestShrinkKeepsWhatIsNeeded(t *testing.T) {
	p := world.Draw(1, []world.Kind{"count"}, []world.Form{world.PlainForm})
	p.Minutes = 600
	p.Events = nil
	for i := range 12 {
		p.Events = append(p.Events, world.Event{At: 20 + i, Kind: "count", A: i, For: 40})
	}
	var smallest *world.Plan
	world.Shrink(p, func(s *world.Plan) bool {
		a, b := false, false
		for _, e := range s.Events {
			a, b = a || e.A == 3, b || e.A == 9
		}
		if !a || !b || s.Minutes < 100 {
			return false
		}
		smallest = s
		return true
	})
	if smallest == nil || len(smallest.Events) != 2 || smallest.Minutes > 130 {
		t.Errorf("%+v is left", smallest)
	}
}

// The known faults can still be put back.
func TestFaultsCanBePutBack(t *testing.T) {
	git, err := exec.LookPath("git")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("install git")
		}
		t.Skip("install git")
	}
	root, err := filepath.Abs("../../..")
	if err != nil {
		t.Fatal(err)
	}
	patches, err := filepath.Glob("testdata/faults/*.patch")
	if err != nil || len(patches) == 0 {
		t.Fatalf("no faults in testdata/faults: %v", err)
	}
	for _, patch := range patches {
		path, err := filepath.Abs(patch)
		if err != nil {
			t.Fatal(err)
		}
		c := exec.CommandContext(t.Context(), git, "apply", "--check", path)
		c.Dir = root
		if body, err := c.CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", filepath.Base(patch), err, body)
		}
	}
}
