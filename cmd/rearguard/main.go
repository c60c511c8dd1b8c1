// Command rearguard watches the air of rearing rooms, advances the thermal
// time of every cohort in them, and wakes somebody before the air costs one.
package main

import (
	"os"
	// Small systems come without a list of time zones.
	_ "time/tzdata"

	"rearguard/cmd/internal/cli"
)

// commands is the command line. Each field is one subcommand in a file of its
// own.
type commands struct {
	Run          runCommand          `cmd:"" help:"Watch a facility: read its sensors, follow its cohorts, raise its alarms, serve its pages."`
	Demo         demoCommand         `cmd:"" help:"Show all of it on an invented facility, with nothing to configure."`
	Check        checkCommand        `cmd:"" help:"Check a configuration: every fault in it, and what of the records it would orphan."`
	Replay       replayCommand       `cmd:"" help:"Handle recorded history again, with the same or a changed configuration."`
	Species      speciesCommand      `cmd:"" help:"List the species known, or explain one with its sources."`
	Plan         planCommand         `cmd:"" help:"Plan backwards: eggs, shipping, host plant, and the shift of an emergence."`
	Learn        learnCommand        `cmd:"" help:"Show what finished cohorts say about this facility's constants."`
	Performance  performanceCommand  `cmd:"" help:"Measure the alarm system itself from the records, as ISA-18.2 asks."`
	Backup       backupCommand       `cmd:"" help:"Copy the records into one file, also while the daemon runs."`
	AdoptRecords adoptRecordsCommand `cmd:"" help:"Take the records for the right ones as they are, when they are doubted or damaged."`
	Air          airCommand          `cmd:"" help:"Compute what follows from a temperature and a humidity."`
	DegreeDays   degreeDaysCommand   `cmd:"" help:"Compute the thermal time of a table of temperatures."`
	Drill        drillCommand        `cmd:"" help:"Try whether notices reach people: a test to one of them, or to everybody."`
	Sensors      sensorsCommand      `cmd:"" help:"List the sensors of the running daemon, or the topics that no sensor claims."`
	Calibrate    calibrateCommand    `cmd:"" help:"List calibrations of the running daemon, or re-apply one to what is stored."`
	Version      versionCommand      `cmd:"" help:"Print the version of this build."`
}

// rearguard is the program with nothing asked of it yet.
func rearguard() cli.Program {
	return cli.Program{
		Name:        "rearguard",
		Description: "Watches the air of rearing rooms and the development of every cohort in them. An aid to the people who rear them, not a life-safety system.",
		Commands:    &commands{},
	}
}

func main() { os.Exit(rearguard().Main()) }
