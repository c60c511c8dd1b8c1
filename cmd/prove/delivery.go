package main

import (
	"context"
	"errors"
	"fmt"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/prove/delivery"
)

type deliveryCommand struct {
	Seed    uint64 `default:"1" help:"Seed of what befalls connections." placeholder:"N"`
	Notices int    `default:"10000" help:"Notices to deliver."`
	Kills   int    `default:"50" help:"How often rearguard is killed meanwhile."`
	Samples int    `default:"200" help:"How often the time from a reading to the first notice is taken."`
	JSON    bool   `help:"Print as JSON."`
}

func (c *deliveryCommand) Run(ctx context.Context, e *cli.Env) error {
	if c.Notices < 8 || c.Kills < 1 || c.Samples < 1 {
		return cli.Unusable("--notices %d, --kills %d, --samples %d: at least 8 notices, one kill and one sample are needed", c.Notices, c.Kills, c.Samples)
	}
	report, err := delivery.Run(ctx, delivery.Options{
		Seed: c.Seed, Notices: c.Notices, Kills: c.Kills, Samples: c.Samples,
		Progress: func(format string, args ...any) { e.Logger.Info(fmt.Sprintf(format, args...)) },
	})
	if err != nil {
		return err
	}
	if c.JSON {
		err = report.WriteJSON(e.Out)
	} else {
		err = report.WriteText(e.Out)
	}
	if err == nil && !report.Good() {
		return errors.New("notices were lost, or arrived again or too late more than is promised")
	}
	return err
}
