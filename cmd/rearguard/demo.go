package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/rehearsal"
	"rearguard/sensors/broker/embedded"
)

type demoCommand struct {
	For    time.Duration `help:"End by itself after this time and print a summary; 0 runs until interrupted." placeholder:"60s"`
	JSON   bool          `help:"Print the summary as JSON on standard output, the narration on standard error."`
	Listen string        `help:"Address of the pages. Default: 127.0.0.1:8080, or a free port when that is taken." placeholder:"HOST:PORT"`
	Speed  float64       `default:"1200" help:"How many seconds of the invented day pass in a second."`
	Seed   uint64        `default:"1" help:"Seed of the invented weather and noise."`
}

// The demo's settings.
const (
	demoPages     = "127.0.0.1:8080"
	demoSecretEnv = "REARGUARD_DEMO_SECRET"
	// demoBuffered is how much history the sensors deliver at the start, as
	// devices do that kept their readings while the network was down.
	demoBuffered = 10 * 24 * time.Hour
	// demoTick is how often the demo's clock is looked at.
	demoTick = 250 * time.Millisecond
	// demoStep is how often the invented day is moved on, and demoLongest how
	// much of a longer pause it makes up for.
	demoStep    = 50 * time.Millisecond
	demoLongest = 2 * demoStep
	demoQuiesce = 50 // milliseconds; what was published has been confirmed
)

// Run implements the subcommand.
func (c *demoCommand) Run(e *env) (err error) {
	if c.Speed < 1 || c.Speed > 20_000 {
		return unusable("--speed %g is outside 1 to 20000", c.Speed)
	}
	if c.For < 0 {
		return unusable("--for %v is negative", c.For)
	}
	d := &demo{command: c, env: e, tell: e.out, logger: slog.New(slog.DiscardHandler), more: make(chan struct{}, 1)}
	if c.JSON {
		d.tell = e.errOut
	}
	return d.run()
}

// demo is one run of the demo.
type demo struct {
	command *demoCommand
	env     *env
	logger  *slog.Logger
	tellMu  sync.Mutex
	tell    io.Writer

	begin time.Time // on the invented day
	// passed is how much of the invented day has gone by. It waits for the
	// engine: a slow machine makes the day slower, and no sensor late.
	passed atomic.Int64
	house  *rehearsal.House
	// sent counts messages published, stored those the engine has stored;
	// more is signalled when it has stored some.
	sent, stored atomic.Int64
	more         chan struct{}

	summary demoSummary
}

// clock is the time on the invented day.
func (d *demo) clock() time.Time {
	return d.begin.Add(time.Duration(d.passed.Load())).Truncate(time.Millisecond)
}

func (d *demo) say(at time.Time, format string, args ...any) {
	d.tellMu.Lock()
	defer d.tellMu.Unlock()
	fmt.Fprintf(d.tell, "%s  %s\n", at.Format("15:04"), fmt.Sprintf(format, args...))
}

func (d *demo) run() (err error) {
	dir, err := os.MkdirTemp("", "rearguard-demo-")
	if err != nil {
		return fmt.Errorf("folder for the demo's records: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()

	pages, err := d.listen()
	if err != nil {
		return err
	}
	defer pages.Close()
	mqttBroker, err := embedded.Start(embedded.Options{Logger: d.logger})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, mqttBroker.Close()) }()
	phone, err := d.phone()
	if err != nil {
		return err
	}
	defer phone.Close()

	now := d.env.now().UTC()
	d.begin = time.Date(now.Year(), now.Month(), now.Day(), 6, 0, 0, 0, time.UTC)
	d.house = rehearsal.NewHouse(d.begin.Add(-demoBuffered), d.command.Seed)

	s, err := d.service(dir, mqttBroker.URL(), pages, "http://"+phone.Addr().String())
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(d.env.ctx)
	defer stop()
	var failed error
	var actors sync.WaitGroup
	err = s.run(ctx, func() {
		fmt.Fprintf(d.tell, "\nrearguard demo: an invented facility, %g times as fast as life.\nOpen  http://%s/  in a browser. Ctrl-C ends it.\n\n", d.command.Speed, pages.Addr())
		actors.Go(func() {
			defer stop()
			failed = d.play(ctx, s.engine, mqttBroker.URL())
		})
		actors.Go(func() { d.narrate(ctx, s.engine) })
	})
	stop()
	actors.Wait()
	if err = errors.Join(err, failed); err != nil {
		return err
	}
	return d.summarise(s.engine.Snapshot())
}

// listen takes the port for the pages, another one when the usual is taken.
func (d *demo) listen() (net.Listener, error) {
	if d.command.Listen != "" {
		l, err := d.listenOn(d.command.Listen)
		if err != nil {
			return nil, fmt.Errorf("listen for pages (--listen): %w", err)
		}
		return l, nil
	}
	l, err := d.listenOn(demoPages)
	if errors.Is(err, syscall.EADDRINUSE) {
		l, err = d.listenOn("127.0.0.1:0")
	}
	if err != nil {
		return nil, fmt.Errorf("listen for pages: %w", err)
	}
	return l, nil
}

func (d *demo) listenOn(address string) (net.Listener, error) {
	return new(net.ListenConfig).Listen(d.env.ctx, "tcp", address)
}

// phone is a webhook receiver that stands for the facility lead's phone.
func (d *demo) phone() (net.Listener, error) {
	if err := os.Setenv(demoSecretEnv, "the secret of an invented phone"); err != nil {
		return nil, err
	}
	l, err := d.listenOn("127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for the demo's phone: %w", err)
	}
	server := &http.Server{ReadHeaderTimeout: 5 * time.Second, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var body struct {
			Data struct {
				Headline string `json:"headline"`
			} `json:"data"`
		}
		if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		d.say(d.clock(), "   phone: %s", body.Data.Headline)
	})}
	go server.Serve(l) //nolint:errcheck // ends when the listener is closed
	return l, nil
}

func (d *demo) service(dir, brokerURL string, pages net.Listener, phone string) (*service, error) {
	text, err := rehearsal.Configuration(rehearsal.Addresses{
		Records: filepath.Join(dir, "demo.db"), Broker: brokerURL, Pages: "http://" + pages.Addr().String(),
		Phone: phone, SecretEnv: demoSecretEnv,
	})
	if err != nil {
		return nil, err
	}
	f, err := facility.Parse("demo.yaml", text)
	if err != nil {
		return nil, fmt.Errorf("the demo's own configuration: %w", err)
	}
	catalog, err := loadCatalog(f)
	if err != nil {
		return nil, err
	}
	return &service{
		facility: f, catalog: catalog, logger: d.logger, clock: d.clock, tickEvery: demoTick,
		committed: d.noteStored,
		listener:  pages, invented: true, forecastEvery: 30 * time.Minute, atEnd: d.tally,
	}, nil
}

// play publishes what the invented sensors measure, as the invented day goes
// by, and tells the story.
func (d *demo) play(ctx context.Context, engine *daemon.Engine, brokerURL string) error {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(brokerURL).SetClientID("lantern-sensors").SetOrderMatters(true))
	if err := wait(ctx, client.Connect()); err != nil {
		return err
	}
	defer client.Disconnect(demoQuiesce)

	// A broker has nowhere to put what comes before the first subscription.
	if !subscribed(ctx, engine) {
		return nil
	}
	// First what the sensors had kept while the network was down.
	if err := d.publishUntil(ctx, client, d.begin, true); err != nil {
		return err
	}
	if err := enterCohorts(ctx, engine, d.begin); err != nil {
		return ending(ctx, err)
	}
	story, rounds := rehearsal.Story(), rehearsal.Rounds()
	last := d.env.now()
	end := last.Add(d.command.For)
	ticker := time.NewTicker(demoStep)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-ticker.C:
			if d.command.For > 0 && !now.Before(end) {
				return nil
			}
			d.passed.Add(int64(float64(min(now.Sub(last), demoLongest)) * d.command.Speed))
			last = now
		}
		for len(story) > 0 && !d.house.Now().Before(d.begin.Add(story[0].At)) {
			d.say(d.house.Now(), "%s", story[0].Tell)
			d.house.Do(story[0])
			story = story[1:]
		}
		for len(rounds) > 0 && !d.house.Now().Before(d.begin.Add(rounds[0].At)) {
			d.say(d.house.Now(), "%s counts: %s", rounds[0].Count.By, rounds[0].Tell)
			if err := enterRound(ctx, engine, rounds[0]); err != nil {
				return ending(ctx, err)
			}
			rounds = rounds[1:]
		}
		if err := d.publishUntil(ctx, client, d.clock(), false); err != nil {
			return err
		}
	}
}

// subscribed waits until the broker has granted the engine's subscriptions,
// and reports whether it has before ctx ended.
func subscribed(ctx context.Context, engine *daemon.Engine) bool {
	for {
		changed := engine.Changed()
		if engine.Snapshot().Broker.Subscribed {
			return true
		}
		select {
		case <-ctx.Done():
			return false
		case <-changed:
		}
	}
}

// publishUntil advances the house to a time, and waits until the engine has
// stored what the sensors published. Buffered history leaves out what has no
// time of its own.
func (d *demo) publishUntil(ctx context.Context, client mqtt.Client, until time.Time, buffered bool) error {
	var last mqtt.Token
	for !d.house.Now().Add(rehearsal.ReportEvery).After(until) && ctx.Err() == nil {
		d.house.Advance(func(m rehearsal.Message) {
			if m.Timed || !buffered {
				last = client.Publish(m.Topic, 1, false, m.Payload)
				d.sent.Add(1)
			}
		})
	}
	if last == nil {
		return nil
	}
	if err := wait(ctx, last); err != nil {
		return err
	}
	for d.stored.Load() < d.sent.Load() {
		select {
		case <-ctx.Done():
			return nil
		case <-d.more:
		}
	}
	return nil
}

// noteStored counts what the engine has stored.
func (d *demo) noteStored(messages int) {
	d.stored.Add(int64(messages))
	select {
	case d.more <- struct{}{}:
	default:
	}
}

// wait waits for a token of the broker client. The end of ctx is no error.
func wait(ctx context.Context, token mqtt.Token) error {
	select {
	case <-token.Done():
		return ending(ctx, token.Error())
	case <-ctx.Done():
		return nil
	}
}

// ending drops errors that only say that the demo is being stopped.
func ending(ctx context.Context, err error) error {
	select {
	case <-ctx.Done():
		return nil
	default:
		return err
	}
}
