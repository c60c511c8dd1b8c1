package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/signal"
	"syscall"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/rearguard/service"
	"rearguard/daemon"
)

type runCommand struct {
	Config string `default:"facility.yaml" help:"Configuration file." placeholder:"FILE"`
}

func (c *runCommand) Run(ctx context.Context, e *cli.Env) error {
	// A hangup reads the configuration again and never ends the daemon, from
	// the first moment on.
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	f, err := cli.LoadFacility(c.Config)
	if err != nil {
		return err
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		return err
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", f.Web.Listen)
	if err != nil {
		return fmt.Errorf("listen for pages on %s (web.listen): %w", f.Web.Listen, err)
	}
	return service.Run(ctx, service.Options{
		Facility: f, Config: c.Config, Catalog: catalog, Version: buildVersion(), Logger: e.Logger,
		Clocks: service.Machine(e.Now), Disciplined: service.Disciplined, TickEvery: service.TickEvery,
		Listener: listener, Hangup: hangup,
	}, func(*daemon.Engine) {
		e.Logger.Info("rearguard is running", "facility", f.Site.Name, "pages", "http://"+listener.Addr().String(),
			"broker", f.Broker.Address, "records", f.Records.Path, "rooms", len(f.Rooms), "sensors", len(f.Sensors))
	})
}
