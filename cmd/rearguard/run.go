package main

import (
	"fmt"
	"net"

	"rearguard/daemon/facility"
)

type runCommand struct {
	Config string `default:"facility.yaml" help:"Configuration file." placeholder:"FILE"`
}

// Run implements the subcommand.
func (c *runCommand) Run(e *env) error {
	f, err := loadFacility(c.Config)
	if err != nil {
		return err
	}
	catalog, err := loadCatalog(f)
	if err != nil {
		return unusable("%v", err)
	}
	listener, err := new(net.ListenConfig).Listen(e.ctx, "tcp", f.Web.Listen)
	if err != nil {
		return fmt.Errorf("listen for pages on %s (web.listen): %w", f.Web.Listen, err)
	}
	s := &service{
		facility: f, config: c.Config, catalog: catalog, logger: e.logger, clock: e.now, tickEvery: tickInterval, listener: listener,
	}
	return s.run(e.ctx, func() {
		e.logger.Info("rearguard is running", "facility", f.Site.Name, "pages", "http://"+listener.Addr().String(),
			"broker", f.Broker.Address, "records", f.Records.Path, "rooms", len(f.Rooms), "sensors", len(f.Sensors))
	})
}

// loadFacility reads a configuration. One with faults cannot be used.
func loadFacility(path string) (*facility.Facility, error) {
	f, err := facility.Load(path)
	if err != nil {
		return nil, unusable("%w", err)
	}
	return f, nil
}
