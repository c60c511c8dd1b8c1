// Command prove measures how far rearguard can be trusted, on invented rooms
// and animals whose truth is known, and on recorded history.
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
	Incidents incidentsCommand `cmd:"" help:"Rehearse failures of invented rooms and measure what the alarms make of them."`
	Faults    faultsCommand    `cmd:"" help:"Inject sensor faults into simulated rooms and print how soon each is found, and the false alarms on clean data."`
	Simulate  simulateCommand  `cmd:"" help:"Drive the whole daemon through invented troubles by seeds, and tell the story of each broken rule."`
	Delivery  deliveryCommand  `cmd:"" help:"Kill rearguard while it tells people through proxies that cut, refuse and delay, and count what was lost and told twice."`
	Forecasts forecastsCommand `cmd:"" help:"Measure how well forecasts hold, over simulated and replayed cohorts."`
}

func main() {
	os.Exit(cli.Program{
		Name:        "prove",
		Description: "Measures how far rearguard can be trusted. The rooms and animals are invented; the figures compare versions of the program and promise nothing about a real room.",
		Commands:    &commands{},
	}.Main())
}
