package facility_test

import (
	"errors"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
)

func FuzzParse(f *testing.F) {
	sample, err := os.ReadFile(samplePath)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(sample)
	for _, s := range []string{
		base, base + "species:\n  a: {b: 1}\n", "", "\ufeff" + base, strings.ReplaceAll(base, "\n", "\r\n"),
		"a: |\n  b\n", "- - - -", "? a\n: b", "a: &a [*a]", "%YAML 1.2\n---\n" + base, "{{[", "\"", "a:\x00", base + "web:\n\t- x",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		parsed, err := facility.Parse("x.yaml", data)
		if err == nil {
			if parsed.Site.Name == "" || parsed.Site.Location == nil || parsed.Broker.Address == "" || len(parsed.Rooms) == 0 {
				t.Errorf("accepted without what every facility needs: %+v", parsed)
			}
			return
		}
		var faults strict.Faults
		if !errors.As(err, &faults) || len(faults) == 0 {
			t.Fatalf("error = %v, want Faults", err)
		}
		lines := 1 + strings.Count(string(data), "\n")
		for _, fault := range faults {
			if fault.Line < 1 || fault.Line > lines || fault.Column < 1 || fault.Column > 1+utf8.RuneCountInString(fault.Excerpt) || fault.Problem == "" {
				t.Errorf("a fault lies outside the file of %d lines: %+v", lines, fault)
			}
		}
	})
}
