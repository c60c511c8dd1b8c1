package main

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"rearguard/cmd/internal/clitest"
	"rearguard/sensors/broker/brokertest"
)

// TestScripts runs the real program through the texts in testdata/script.
// REARGUARD_UPDATE=1 writes their golden parts anew.
func TestScripts(t *testing.T) {
	binary, err := program()
	if err != nil {
		t.Fatal(err)
	}
	example, err := filepath.Abs("../../deploy/examples/facility.yaml")
	if err != nil {
		t.Fatal(err)
	}
	clitest.Scripts(t, binary, func(env *testscript.Env) {
		env.Setenv("EXAMPLE", example)
		for _, name := range []string{"PORT", "BROKER_PORT"} {
			env.Setenv(name, fmt.Sprint(brokertest.FreePort(t)))
		}
	})
}
