// Package prometheus_test tries the alerting rules of this folder with the tool
// that Prometheus brings.
package prometheus_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func promtool(t *testing.T, args ...string) string {
	t.Helper()
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("promtool is missing: install prometheus (apt-get install prometheus)")
		}
		t.Skip("promtool is missing: install prometheus (apt-get install prometheus)")
	}
	out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput()
	if err != nil {
		t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// Each rule fires for what it is for, also where its data is missing.
func TestRulesFire(t *testing.T) {
	if out := promtool(t, "check", "rules", "rearguard.rules.yml"); !strings.Contains(out, "3 rules found") {
		t.Errorf("promtool says\n%s", out)
	}
	promtool(t, "test", "rules", "rearguard.rules.test.yml")
}

// A rule on a metric that rearguard does not have would never fire, or always.
func TestRulesNameMetricsThatThereAre(t *testing.T) {
	rules, err := os.ReadFile("rearguard.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	exposition, err := os.ReadFile(filepath.Join("..", "..", "dashboards", "metrics", "testdata", "sample.prom"))
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`rearguard_[a-z_]+`).FindAllString(string(rules), -1)
	if len(names) < 4 {
		t.Fatalf("found %q", names)
	}
	for _, name := range names {
		if !strings.Contains(string(exposition), "\n# TYPE "+name+" gauge\n") {
			t.Errorf("rearguard has no metric %s", name)
		}
	}
}
