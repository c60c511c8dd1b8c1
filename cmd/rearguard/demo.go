package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"slices"
	"syscall"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/rearguard/demo"
	"rearguard/daemon/rehearsal"
)

type demoCommand struct {
	For    time.Duration `help:"End by itself after this time and print a summary; 0 runs until interrupted." placeholder:"60s"`
	JSON   bool          `help:"Print the summary as JSON on standard output, the narration on standard error."`
	Listen string        `help:"Address of the pages. Default: 127.0.0.1:8080, or a free port when that is taken." placeholder:"HOST:PORT"`
	Speed  float64       `default:"1200" help:"How many seconds of the invented day pass in a second."`
	Seed   uint64        `default:"1" help:"Seed of the invented weather and noise."`
	Story  string        `default:"day" enum:"day,storm" help:"What happens: day (a humidifier runs dry, a heater sticks on, a sensor dies) or storm (a door stays open, the mains are lost)."`
}

// demoPages is the usual address of the demo's pages.
const demoPages = "127.0.0.1:8080"

func (c *demoCommand) Run(ctx context.Context, e *cli.Env) error {
	if c.Speed < 1 || c.Speed > 20_000 {
		return cli.Unusable("--speed %g is outside 1 to 20000", c.Speed)
	}
	if c.For < 0 {
		return cli.Unusable("--for %v is negative", c.For)
	}
	scenarios := rehearsal.Scenarios()
	played := slices.IndexFunc(scenarios, func(s rehearsal.Scenario) bool { return s.Name == c.Story })
	if played < 0 {
		return cli.Unusable("--story %q is none that the demo knows", c.Story)
	}
	pages, err := c.listen(ctx)
	if err != nil {
		return err
	}
	defer pages.Close()
	tell := e.Out
	if c.JSON {
		tell = e.ErrOut
	}
	sum, err := demo.Run(ctx, demo.Options{
		For: c.For, Speed: c.Speed, Seed: c.Seed, Scenario: scenarios[played], Pages: pages, Version: buildVersion(), Now: e.Now, Tell: tell,
	})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(sum)
	}
	_, err = fmt.Fprintf(tell, "\n%d messages, %d readings stored, %d alarms raised, %d over, %d notices delivered.\n",
		sum.Messages, sum.Readings, sum.AlarmsRaised, sum.AlarmsCleared, sum.NoticesDelivered)
	return err
}

// listen takes the port for the pages, another one when the usual is taken.
func (c *demoCommand) listen(ctx context.Context) (net.Listener, error) {
	on := func(address string) (net.Listener, error) { return new(net.ListenConfig).Listen(ctx, "tcp", address) }
	if c.Listen != "" {
		l, err := on(c.Listen)
		if err != nil {
			return nil, fmt.Errorf("listen for pages (--listen): %w", err)
		}
		return l, nil
	}
	l, err := on(demoPages)
	if errors.Is(err, syscall.EADDRINUSE) {
		l, err = on("127.0.0.1:0")
	}
	if err != nil {
		return nil, fmt.Errorf("listen for pages: %w", err)
	}
	return l, nil
}
