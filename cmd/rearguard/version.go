package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"rearguard/cmd/internal/cli"
)

type versionCommand struct {
	JSON bool `help:"Print as JSON."`
}

// buildVersion is the module version or the revision this binary was built
// from, "development" when neither is recorded.
func buildVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "development"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return s.Value
		}
	}
	return "development"
}

func (c *versionCommand) Run(e *cli.Env) error {
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(map[string]string{
			"version": buildVersion(), "go": runtime.Version(), "platform": runtime.GOOS + "/" + runtime.GOARCH,
		})
	}
	_, err := fmt.Fprintf(e.Out, "rearguard %s (%s, %s/%s)\n", buildVersion(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
