package main

import (
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"rearguard/cmd/internal/clitest"
)

// TestScripts runs the real program through the texts in testdata/script.
// REARGUARD_UPDATE=1 writes their golden parts anew.
func TestScripts(t *testing.T) {
	binary := filepath.Join(t.TempDir(), "prove")
	if out, err := exec.Command("go", "build", "-race=false", "-o", binary, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	clitest.Scripts(t, binary, func(*testscript.Env) {})
}
