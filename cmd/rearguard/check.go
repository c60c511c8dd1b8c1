package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
)

type checkCommand struct {
	Config string `default:"facility.yaml" help:"Configuration file to check." placeholder:"FILE"`
	JSON   bool   `help:"Print as JSON."`
}

// checkReport is what check --json prints.
type checkReport struct {
	File     string        `json:"file"`
	Good     bool          `json:"good"`
	Faults   strict.Faults `json:"faults"`
	Rooms    int           `json:"rooms"`
	Sensors  int           `json:"sensors"`
	Topics   int           `json:"topics"`
	People   int           `json:"people"`
	Channels int           `json:"channels"`
	// Remarks are no faults, and may still not be what was meant.
	Remarks []string `json:"remarks"`
}

func (c *checkCommand) Run(e *cli.Env) error {
	f, err := facility.Load(c.Config)
	report := checkReport{File: c.Config, Faults: strict.Faults{}, Remarks: []string{}}
	switch {
	case err == nil:
		report.Good = true
		report.Rooms, report.Sensors, report.Topics = len(f.Rooms), len(f.Sensors), len(f.Topics())
		report.People, report.Channels = len(f.People), len(f.Channels)
		report.Remarks = append(report.Remarks, remarks(f)...)
	case !errors.As(err, &report.Faults):
		return cli.Unusable("%w", err)
	}
	if c.JSON {
		encoder := json.NewEncoder(e.Out)
		encoder.SetEscapeHTML(false)
		if err := encoder.Encode(report); err != nil {
			return err
		}
	} else if err := report.print(e.Out); err != nil {
		return err
	}
	if n := len(report.Faults); n > 0 {
		return fmt.Errorf("%s: %s", c.Config, plural(n, "fault"))
	}
	return nil
}

func (r *checkReport) print(out io.Writer) error {
	var b strings.Builder
	for _, fault := range r.Faults {
		fmt.Fprintf(&b, "%s\n\n", fault)
	}
	if r.Good {
		fmt.Fprintf(&b, "%s is good: %s, %s on %s, %s, %s.\n", r.File, plural(r.Rooms, "room"), plural(r.Sensors, "sensor"),
			plural(r.Topics, "topic"), personCount(r.People), plural(r.Channels, "channel"))
	}
	for _, remark := range r.Remarks {
		fmt.Fprintf(&b, "Remark: %s.\n", remark)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// remarks finds what is allowed and seldom meant.
func remarks(f *facility.Facility) []string {
	var found []string
	sensed := map[string]bool{}
	for _, s := range f.Sensors {
		sensed[string(s.Room)] = true
	}
	for _, room := range f.Rooms {
		if !sensed[string(room.ID)] {
			found = append(found, fmt.Sprintf("room %s has no sensor and will be blind", room.ID))
		}
	}
	if len(f.Roster) == 0 {
		found = append(found, "the roster is empty: nobody is told about alarms")
	}
	if len(f.Roster) > 0 && f.Web.PublicURL == "" {
		found = append(found, "web.public_url is not set: notices carry no link for acknowledging")
	}
	return found
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func personCount(n int) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}
