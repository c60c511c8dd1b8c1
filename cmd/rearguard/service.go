package main

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/dashboards"
	"rearguard/dashboards/web"
	"rearguard/sensors"
	"rearguard/sensors/broker"
	"rearguard/sensors/payload"
)

// stopWithin bounds an orderly stop.
const stopWithin = 20 * time.Second

// service is a running daemon: records, engine, broker link, notices and
// pages. The subcommands run and demo differ only in what they put in here.
type service struct {
	facility *facility.Facility
	// config is the configuration file, empty when there is none.
	config  string
	catalog *rearing.Catalog
	logger  *slog.Logger
	// clock is the time the whole service lives in; ticks come from it every
	// tickEvery of the wall clock.
	clock     func() time.Time
	tickEvery time.Duration
	// listener takes the connections to the pages.
	listener      net.Listener
	invented      bool
	forecastEvery time.Duration
	// evaluated and committed are the engine's hooks of the same names.
	evaluated func([]sensors.Reading)
	committed func(messages int)
	// atEnd, if set, is called when everything has stopped, before the
	// records are closed.
	atEnd func(*records.Store) error

	engine *daemon.Engine
	store  *records.Store
	link   *broker.Link
}

// tickInterval is how often the engine looks at the clock.
const tickInterval = time.Second

// loadCatalog is the species library with the facility's own entries over it.
func loadCatalog(f *facility.Facility) (*rearing.Catalog, error) {
	catalog, err := rearing.Library()
	if err != nil || f.SpeciesYAML == nil {
		return catalog, err
	}
	entries, err := rearing.ParseSpecies(f.Path, f.SpeciesYAML, 0)
	if err != nil {
		return nil, err
	}
	return catalog.With(entries)
}

// run starts everything, calls ready, and stops everything when ctx ends or a
// part fails. What has been received by then is stored before it returns.
func (s *service) run(ctx context.Context, ready func()) (err error) {
	// The engine outlives ctx, to store what the link still holds; hard ends
	// it when that takes too long.
	hard, kill := context.WithCancel(context.WithoutCancel(ctx))
	defer kill()
	ctx, stop := context.WithCancel(ctx)
	defer stop()

	if s.store, err = records.Open(ctx, s.facility.Records.Path, records.Options{
		Synchronous: records.Synchronous(strings.ToUpper(s.facility.Records.Synchronous)),
	}); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.store.Close()) }()

	channels, err := s.channels()
	if err != nil {
		return err
	}
	worker := notify.NewWorker(outbox{s.store}, channels, notify.Options{Now: s.clock, Random: rand.Float64, Logger: s.logger})
	requests := make(chan payload.Request, requestsWaiting)
	ask := func(r payload.Request) {
		select {
		case requests <- r:
		default:
		}
	}
	if s.engine, err = daemon.New(hard, daemon.Options{
		Facility: s.facility, Catalog: s.catalog, Store: s.store, Logger: s.logger, Now: s.clock(),
		Invented: s.invented, NoticesDue: worker.Wake, ForecastEvery: s.forecastEvery,
		Evaluated: s.evaluated, Committed: s.committed, Ask: ask,
	}); err != nil {
		return err
	}
	unusable := broker.NewRing(100)
	linkConfig, err := s.linkConfig(unusable)
	if err == nil {
		s.link, err = broker.New(linkConfig, s.logger)
	}
	if err != nil {
		return errors.Join(err, s.engine.Discard())
	}

	var parts sync.WaitGroup
	failed := make(chan error, 4)
	part := func(name string, f func() error) {
		parts.Go(func() {
			if err := f(); err != nil {
				failed <- fmt.Errorf("%s: %w", name, err)
			}
			stop()
		})
	}
	ticks := make(chan time.Time)
	oversize := make(chan daemon.RejectedMessage)
	notices := make(chan daemon.NoticeState)
	part("engine", func() error {
		return s.engine.Run(hard, daemon.Sources{
			Messages: s.link.Messages(), Ticks: ticks, Links: s.links(ctx), Oversize: oversize, Notices: notices,
		})
	})
	part("desk", func() error { s.watchDesk(ctx, unusable, oversize, notices); return nil })
	part("broker link", func() error { return s.link.Run(ctx) })
	part("notices", func() error { worker.Run(ctx); return nil })
	part("records watch", func() error { s.watchRecords(ctx, channels); return nil })
	part("requests", func() error { s.askSensors(ctx, requests); return nil })
	part("clock", func() error { s.tick(ctx, ticks); return nil })
	part("housekeeping", func() error { return s.keepHouse(ctx) })

	home := &house{Engine: s.engine, link: s.link, pages: s.store.Pages(), config: s.config, facility: s.facility}
	server, err := dashboards.Server(home, buildVersion(), web.Options{
		Log: s.logger, History: home.History,
		Alarms: &daemon.AlarmDesk{Facility: s.facility, Catalog: s.catalog, Records: s.store.Pages()},
	})
	if err != nil {
		stop()
		parts.Wait()
		return err
	}
	part("pages", func() error {
		if err := server.Serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	ready()
	<-ctx.Done()
	deadline := time.AfterFunc(stopWithin, kill)
	defer deadline.Stop()
	closing, done := context.WithTimeout(hard, stopWithin)
	defer done()
	err = server.Shutdown(closing)
	parts.Wait()
	close(failed)
	for failure := range failed {
		err = errors.Join(err, failure)
	}
	if s.atEnd != nil {
		err = errors.Join(err, s.atEnd(s.store))
	}
	return err
}

// tick sends the time to the engine until ctx ends.
func (s *service) tick(ctx context.Context, ticks chan<- time.Time) {
	ticker := time.NewTicker(s.tickEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		select {
		case <-ctx.Done():
			return
		case ticks <- s.clock():
		}
	}
}

// links passes the link's states on in the engine's terms.
func (s *service) links(ctx context.Context) <-chan daemon.LinkView {
	out := make(chan daemon.LinkView)
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case state := <-s.link.States():
				view := daemon.LinkView{
					Address: s.facility.Broker.Address, Connected: state.Connected, Subscribed: state.Subscribed,
					Since: state.Since, Problem: state.Problem,
				}
				select {
				case <-ctx.Done():
					return
				case out <- view:
				}
			}
		}
	}()
	return out
}

func (s *service) linkConfig(unusable *broker.Ring) (broker.Config, error) {
	b := s.facility.Broker
	wanted, err := filters(s.facility)
	return broker.Config{
		URL: b.Address, ClientID: b.ClientID,
		Login:        broker.Login{Username: b.Username, PasswordFile: b.PasswordFile, PasswordEnv: b.PasswordEnv},
		Certificates: broker.Certificates{CAFile: b.CAFile, CertFile: b.CertificateFile, KeyFile: b.KeyFile},
		Filters:      wanted,
		FilterStore:  filterStore{s.store},
		Availability: b.AvailabilityTopic,
		MaxPayload:   b.PayloadLimitBytes,
		Unusable:     unusable,
		Clock:        s.clock,
	}, err
}

// filters are the topics to subscribe to. A discovery filter stands for the
// topics it covers, since a broker may deliver overlapping ones twice.
func filters(f *facility.Facility) ([]string, error) {
	topics, err := f.Filters()
	if err != nil {
		return nil, err
	}
	out := append([]string(nil), f.Broker.Discover...)
	for _, topic := range topics {
		covered := false
		for _, filter := range f.Broker.Discover {
			covered = covered || broker.Match(filter, topic)
		}
		if !covered {
			out = append(out, topic)
		}
	}
	return out, nil
}

// channels builds the channels of the configuration.
func (s *service) channels() (map[string]notify.Channel, error) {
	addresses := make(map[string]string)
	for _, p := range s.facility.People {
		addresses[p.ID] = p.Email
	}
	channels := make(map[string]notify.Channel)
	for _, c := range s.facility.Channels {
		switch {
		case c.SMTP != nil:
			roots, err := certificates(c.SMTP.CAFile)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", c.ID, err)
			}
			channels[c.ID] = notify.NewEmail(notify.EmailConfig{
				Host: c.SMTP.Host, Port: c.SMTP.Port, Encryption: notify.Encryption(c.SMTP.TLS),
				Username: c.SMTP.Username, Password: c.SMTP.Password().Read,
				From: c.SMTP.From, Roots: roots, Addresses: addresses,
			})
		default:
			roots, err := certificates(c.CAFile)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", c.ID, err)
			}
			channels[c.ID] = notify.NewWebhook(notify.WebhookConfig{URL: c.URL, Secret: c.Secret().Read, Roots: roots})
		}
	}
	return channels, nil
}

// certificates reads the roots that vouch for a server; nil, for the system's
// own, when no file is named.
func certificates(path string) (*x509.CertPool, error) {
	if path == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read certificates: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no PEM certificate", path)
	}
	return pool, nil
}
