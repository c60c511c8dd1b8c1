// Package demo plays an invented day of an invented facility to a real
// service: its sensors publish over a real broker, its keepers count, its
// phone is called.
package demo

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
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/rearguard/service"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors/broker/embedded"
)

// Options say how to play the day.
type Options struct {
	// For is how long it is played on the wall's clock; 0 is until the context
	// ends.
	For time.Duration
	// Speed is how many seconds of the invented day pass in a second.
	Speed float64
	// Seed is that of weather and noise.
	Seed uint64
	// Scenario is what happens.
	Scenario rehearsal.Scenario
	// Pages takes the connections to the pages.
	Pages   net.Listener
	Version string
	// Now is the clock on the wall.
	Now func() time.Time
	// Tell takes the narration.
	Tell io.Writer
}

const (
	// secretEnv names the variable with the secret of the phone.
	secretEnv = "REARGUARD_DEMO_SECRET"
	// buffered is how much history the sensors deliver at the start, as
	// devices do that kept their readings while the network was down.
	buffered = 10 * 24 * time.Hour
	// tickEvery is how often the engine looks at the invented clock.
	tickEvery = 250 * time.Millisecond
	// forecastEvery is how much of the invented day passes between forecasts.
	forecastEvery = 30 * time.Minute
)

// showing is one run of the demo.
type showing struct {
	options Options
	logger  *slog.Logger
	tellMu  sync.Mutex

	begin time.Time // on the invented day
	// passed is how much of the invented day has gone by. It waits for the
	// engine: a slow machine makes the day slower, and no sensor late.
	passed atomic.Int64
	house  *rehearsal.House
	// sent counts messages published, stored those the engine has stored;
	// more is signalled when it has stored some.
	sent, stored atomic.Int64
	more         chan struct{}

	// names are those of people by their ids.
	names map[string]string

	summary Summary
}

// clock is the time on the invented day.
func (d *showing) clock() time.Time {
	return d.begin.Add(time.Duration(d.passed.Load())).Truncate(time.Millisecond)
}

func (d *showing) say(at time.Time, format string, args ...any) {
	d.tellMu.Lock()
	defer d.tellMu.Unlock()
	fmt.Fprintf(d.options.Tell, "%s  %s\n", at.Format("15:04"), fmt.Sprintf(format, args...))
}

// Run plays the day until its time is over or ctx ends, and tells what became
// of it.
func Run(ctx context.Context, o Options) (summary *Summary, err error) {
	now := o.Now().UTC()
	begin := time.Date(now.Year(), now.Month(), now.Day(), o.Scenario.Hour, 0, 0, 0, time.UTC)
	d := &showing{
		options: o, logger: slog.New(slog.DiscardHandler), more: make(chan struct{}, 1),
		begin: begin, names: map[string]string{}, house: o.Scenario.House(begin, buffered, o.Seed),
	}
	dir, err := os.MkdirTemp("", "rearguard-demo-")
	if err != nil {
		return nil, fmt.Errorf("folder for the demo's records: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	mqttBroker, err := embedded.Start(embedded.Options{Logger: d.logger})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, mqttBroker.Close()) }()
	if err := os.Setenv(secretEnv, "the secret of an invented phone"); err != nil {
		return nil, err
	}
	ring, err := new(net.ListenConfig).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for the demo's phone: %w", err)
	}
	phone := d.phone()
	var calls sync.WaitGroup
	calls.Go(func() {
		// That the phone is put away at the end is no failure.
		_ = phone.Serve(ring)
	})
	defer func() {
		err = errors.Join(err, phone.Close())
		calls.Wait()
	}()

	broker := mqttBroker.URL()
	options, err := d.service(rehearsal.Addresses{
		Records: filepath.Join(dir, "demo.db"), Broker: broker, Pages: "http://" + o.Pages.Addr().String(),
		Phone: "http://" + ring.Addr().String(), SecretEnv: secretEnv,
	})
	if err != nil {
		return nil, err
	}
	return d.run(ctx, options, broker)
}

// phone is a webhook receiver that stands for the facility lead's phone.
func (d *showing) phone() *http.Server {
	return &http.Server{ReadHeaderTimeout: 5 * time.Second, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var body struct {
			Type string `json:"type"`
			Data struct {
				Recipient   string `json:"recipient"`
				Headline    string `json:"headline"`
				FirstAction string `json:"first_action"`
			} `json:"data"`
		}
		if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		d.say(d.clock(), "   phone of %s: %s", d.names[body.Data.Recipient], body.Data.Headline)
		if call := body.Type == "alarm.raised" || body.Type == "alarm.reminder"; call {
			d.say(d.clock(), "      first: %s", body.Data.FirstAction)
		}
	})}
}

// service is what to run for the invented facility.
func (d *showing) service(at rehearsal.Addresses) (service.Options, error) {
	text, err := rehearsal.Configuration(at)
	if err != nil {
		return service.Options{}, err
	}
	f, err := facility.Parse("demo.yaml", text)
	if err != nil {
		return service.Options{}, fmt.Errorf("the demo's own configuration: %w", err)
	}
	for _, person := range f.People {
		d.names[person.ID] = person.Name
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		return service.Options{}, err
	}
	return service.Options{
		Facility: f, Catalog: catalog, Version: d.options.Version, Logger: d.logger,
		Clocks: func() timekeeping.Beat { return timekeeping.Right(d.clock()) }, TickEvery: tickEvery, Listener: d.options.Pages,
		Invented: true, ForecastEvery: forecastEvery, Committed: d.noteStored,
	}, nil
}

// run runs the service and, beside it, the day that is played to it.
func (d *showing) run(ctx context.Context, options service.Options, broker string) (*Summary, error) {
	counting := context.WithoutCancel(ctx)
	options.AtEnd = func(store *records.Store) error { return d.tally(counting, store) }
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var failed error
	var shown *daemon.Engine
	var actors sync.WaitGroup
	err := service.Run(ctx, options, func(engine *daemon.Engine) {
		shown = engine
		fmt.Fprintf(d.options.Tell, "\nrearguard demo: an invented facility, %g times as fast as life.\nOpen  http://%s/  in a browser. Ctrl-C ends it.\n\n", d.options.Speed, d.options.Pages.Addr())
		actors.Go(func() {
			defer stop()
			failed = d.play(ctx, engine, broker)
		})
		actors.Go(func() { d.narrate(ctx, engine) })
	})
	stop()
	actors.Wait()
	if err = errors.Join(err, failed); err != nil {
		return nil, err
	}
	return d.summarise(shown.Snapshot()), nil
}
