package delivery

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/emersion/go-smtp"

	"rearguard/alerts/notify"
	"rearguard/daemon/records"
	"rearguard/sensors/broker/embedded"
)

// waves is how many rooms get too hot, one after the other. A person is told of
// few at a time, so that each is a message of its own.
const waves = 4

// A room is too hot from 30 °C on; one that warms faster would be taken for a
// sensor at fault.
const (
	coolCelsius = 29.5
	hotCelsius  = 30.6
)

// mostWaited is how long a first notice is waited for.
const mostWaited = 2 * time.Minute

// Options say how much to measure.
type Options struct {
	Seed uint64
	// Notices is about how many notices there are to deliver while the daemon is
	// killed Kills times.
	Notices, Kills int
	// Samples is how often the time from a reading to the first notice is taken,
	// without faults and with them.
	Samples int
	// Progress is told what is being done.
	Progress func(format string, args ...any)
}

// bench is everything on this machine that takes part.
type bench struct {
	Options
	dir, binary string
	broker      *embedded.Broker
	client      mqtt.Client
	ledger      *ledger
	dice        *dice
	mail, hook  string
	// alertmanager is the address of the proxy before it, alerts its own; empty
	// where none is installed.
	alertmanager, alerts string
	closing              []func()
}

// Run measures.
func Run(ctx context.Context, o Options) (*Report, error) {
	dir, err := os.MkdirTemp("", "prove-delivery-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // it is a temporary folder
	b := &bench{Options: o, dir: dir, ledger: newLedger(), dice: newDice(o.Seed)}
	defer b.close()
	if err := b.open(ctx); err != nil {
		return nil, err
	}
	r := &Report{Seed: o.Seed, Kills: o.Kills, Alertmanager: b.alerts != ""}
	b.dice.setOff(true)
	if r.Quiet, err = b.times(ctx, "quiet"); err != nil {
		return nil, err
	}
	b.dice.setOff(false)
	if r.Faulty, err = b.times(ctx, "faulty"); err != nil {
		return nil, err
	}
	b.dice = newDice(o.Seed)
	b.ledger = newLedger()
	if err := b.reopen(); err != nil {
		return nil, err
	}
	return r, b.deliver(ctx, r)
}

func (b *bench) close() {
	for _, f := range slices.Backward(b.closing) {
		f()
	}
}

// open starts what the daemon speaks to.
func (b *bench) open(ctx context.Context) (err error) {
	b.Progress("building rearguard")
	if b.binary, err = build(ctx, b.dir); err != nil {
		return err
	}
	if b.broker, err = embedded.Start(embedded.Options{}); err != nil {
		return err
	}
	b.closing = append(b.closing, func() { _ = b.broker.Close() })
	b.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.broker.URL()).SetClientID("house"))
	if token := b.client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		return fmt.Errorf("connect to the broker: %w", cmpError(token.Error()))
	}
	b.closing = append(b.closing, func() { b.client.Disconnect(0) })
	if err := b.startAlertmanager(ctx); err != nil {
		return err
	}
	return b.reopen()
}

// reopen starts servers and proxies with the ledger and the dice of now.
func (b *bench) reopen() error {
	mail := smtp.NewServer(mailServer{b.ledger})
	mail.Domain = "localhost"
	mailAt, err := b.listen(func(l net.Listener) { _ = mail.Serve(l) }, func() { _ = mail.Close() })
	if err != nil {
		return err
	}
	proxy := &mailProxy{b.dice, mailAt}
	b.mail, err = b.listen(func(l net.Listener) {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go proxy.serve(c)
		}
	}, nil)
	if err != nil {
		return err
	}
	hookAt, err := b.serve(hookServer{b.ledger})
	if err != nil {
		return err
	}
	hook, err := b.serve(&hookProxy{dice: b.dice, server: "http://" + hookAt})
	b.hook = "http://" + hook + "/"
	if err == nil && b.alerts != "" {
		var at string
		at, err = b.serve(&hookProxy{dice: b.dice, server: b.alerts})
		b.alertmanager = "http://" + at
	}
	return err
}

// listen has serve take the connections to a port of its own until the end.
func (b *bench) listen(serve func(net.Listener), stop func()) (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	var running sync.WaitGroup
	running.Go(func() { serve(l) })
	b.closing = append(b.closing, func() {
		_ = l.Close() // nobody connects any more
		if stop != nil {
			stop()
		}
		running.Wait()
	})
	return l.Addr().String(), nil
}

func (b *bench) serve(h http.Handler) (string, error) {
	server := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second}
	return b.listen(func(l net.Listener) { _ = server.Serve(l) }, func() { _ = server.Close() })
}

// startAlertmanager starts one if it is installed.
func (b *bench) startAlertmanager(ctx context.Context) error {
	binary, err := exec.LookPath("prometheus-alertmanager")
	if err != nil {
		return nil //nolint:nilerr // it is measured without
	}
	port, err := free()
	if err != nil {
		return err
	}
	file := filepath.Join(b.dir, "alertmanager.yml")
	if err := os.WriteFile(file, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600); err != nil {
		return err
	}
	address := fmt.Sprintf("127.0.0.1:%d", port)
	cmd := exec.Command(binary, "--config.file="+file, "--storage.path="+filepath.Join(b.dir, "alertmanager"), "--web.listen-address="+address, "--cluster.listen-address=")
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start prometheus-alertmanager: %w", err)
	}
	b.closing = append(b.closing, func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // its status says nothing: it was killed
	})
	b.alerts = "http://" + address
	return eventually(ctx, time.Minute, "Alertmanager is ready", func() bool {
		answer, err := http.Get(b.alerts + "/-/ready")
		if err != nil {
			return false
		}
		_ = answer.Body.Close() // only its status counts
		return answer.StatusCode == http.StatusOK
	})
}

func (b *bench) site(rooms, people int) site {
	return site{broker: b.broker.URL(), mail: b.mail, hook: b.hook, alertmanager: b.alertmanager, rooms: rooms, people: people}
}

func (b *bench) publish(topic string, celsius float64) error {
	token := b.client.Publish(topic, 1, false, strconv.FormatFloat(celsius, 'f', 1, 64))
	if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		return fmt.Errorf("publish a reading: %w", cmpError(token.Error()))
	}
	return nil
}

// times takes the time from a reading that makes a room too hot until the first
// notice of it arrives. A person who is told much is told more slowly, so each
// daemon is asked for a few only.
func (b *bench) times(ctx context.Context, name string) (Times, error) {
	var list []time.Duration
	for round := 0; len(list) < b.Samples; round++ {
		b.Progress("%s: the time of %d of %d first notices is taken", name, len(list), b.Samples)
		got, err := b.timesOf(ctx, fmt.Sprintf("%s-%d", name, round), min(waves, b.Samples-len(list)))
		if err != nil {
			return Times{}, err
		}
		list = append(list, got...)
	}
	return timesOf(list), nil
}

func (b *bench) timesOf(ctx context.Context, name string, rooms int) ([]time.Duration, error) {
	d, err := newDaemon(b.binary, filepath.Join(b.dir, name), b.site(rooms, 1))
	if err != nil {
		return nil, err
	}
	defer d.log.Close() //nolint:errcheck // it is only looked into by hand
	defer d.kill()
	if err := d.start(ctx); err != nil {
		return nil, err
	}
	if err := d.animals(rooms); err != nil {
		return nil, err
	}
	for i := range rooms {
		if err := b.publish(fmt.Sprintf("%s/%d", name, i), coolCelsius); err != nil {
			return nil, err
		}
	}
	var list []time.Duration
	for i := range rooms {
		select {
		case <-b.ledger.arrived:
		default:
		}
		began := time.Now()
		if err := b.publish(fmt.Sprintf("%s/%d", name, i), hotCelsius); err != nil {
			return nil, err
		}
		select {
		case at := <-b.ledger.arrived:
			list = append(list, at.Sub(began))
		case <-time.After(mostWaited):
			return nil, fmt.Errorf("%w: the notice of room %d", errLate, i)
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		// The other channel's notice is not to be taken for that of the next room.
		before := b.ledger.count()
		_ = eventually(ctx, 30*time.Second, "the notice by the other channel", func() bool { return b.ledger.settled(before) })
	}
	return list, nil
}

// deliver has a daemon that is killed again and again tell many people, and holds
// its outbox against what arrived.
func (b *bench) deliver(ctx context.Context, r *Report) error {
	people := max(1, b.Notices/(2*waves))
	d, err := newDaemon(b.binary, filepath.Join(b.dir, "killed"), b.site(waves, people))
	if err != nil {
		return err
	}
	defer d.log.Close() //nolint:errcheck // it is only looked into by hand
	defer d.kill()
	if err := d.start(ctx); err != nil {
		return err
	}
	if err := d.animals(waves); err != nil {
		return err
	}
	var hot atomic.Int64
	feeding, stop := context.WithCancel(ctx)
	var fed sync.WaitGroup
	fed.Go(func() { b.feed(feeding, "killed", &hot) })
	defer fed.Wait()
	defer stop()
	for n := range b.Kills {
		// The rooms get too hot one after the other, in the first two thirds.
		hot.Store(int64(min(waves, 1+n*waves*3/(2*b.Kills))))
		if err := pause(ctx, b.dice.between(200*time.Millisecond, 3*time.Second)); err != nil {
			return err
		}
		d.kill()
		b.Progress("killed %d of %d times, %d messages arrived", n+1, b.Kills, b.ledger.count())
		if err := d.start(ctx); err != nil {
			return err
		}
	}
	hot.Store(waves)
	reader, err := records.OpenReader(ctx, d.records())
	if err != nil {
		return err
	}
	defer reader.Close()
	rows := b.outbox(ctx, reader)
	if err := eventually(ctx, 20*time.Minute, "everything is delivered", func() bool {
		rows = b.outbox(ctx, reader)
		pending := 0
		for _, n := range rows {
			if n.State == notify.Pending {
				pending++
			}
		}
		b.Progress("%d notices, %d of them still to be delivered, %d messages arrived", len(rows), pending, b.ledger.count())
		_ = pause(ctx, time.Second)
		return len(rows) >= 2*waves*people && pending == 0
	}); err != nil {
		r.Problems = append(r.Problems, err.Error())
	}
	b.compare(r, rows)
	return b.askAlertmanager(ctx, r)
}

func (b *bench) outbox(ctx context.Context, reader *records.Reader) []notify.Notice {
	rows, err := reader.NoticesBetween(ctx, time.UnixMilli(0), time.Now().Add(time.Hour))
	if err != nil {
		return nil // tried again
	}
	return rows
}

// feed sends what the sensors of all rooms measure, until ctx ends.
func (b *bench) feed(ctx context.Context, name string, hot *atomic.Int64) {
	for ctx.Err() == nil {
		for i := range waves {
			celsius := coolCelsius
			if int64(i) < hot.Load() {
				celsius = hotCelsius
			}
			_ = b.publish(fmt.Sprintf("%s/%d", name, i), celsius) // the next comes in a moment
		}
		_ = pause(ctx, 500*time.Millisecond)
	}
}

func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// compare holds the outbox against what arrived.
func (b *bench) compare(r *Report, rows []notify.Notice) {
	channels := []string{"mail", "hook"}
	for i := range rows {
		n := &rows[i]
		var a notify.AlarmNotice
		if err := json.Unmarshal(n.Payload, &a); err != nil {
			r.Problems = append(r.Problems, err.Error())
			continue
		}
		what := news{n.Recipient, n.Channel, n.Occurrence, a.RaisedAt.UnixMilli(), a.Sequence}
		r.Notices++
		switch n.State {
		case notify.Delivered:
			r.Delivered++
			r.lost(!b.ledger.told(what), n, "marked as delivered and never arrived")
		case notify.Superseded, notify.Dead:
			r.Otherwise++
			newer := strings.HasPrefix(n.LastError, "told with notice")
			r.lost(!newer && !b.ledger.told(what, channels...), n, "told otherwise, and never arrived")
		default:
			r.lost(true, n, "still to be delivered")
		}
	}
	r.Messages = b.ledger.count()
	r.Faults = b.dice.drawn()
	r.Unheard = r.Faults[string(unheard)]
	var examples []string
	r.Repeats, r.Unmarked, examples = b.ledger.repeats()
	r.Problems = append(r.Problems, examples...)
	for _, id := range b.ledger.unreadable {
		r.Problems = append(r.Problems, "a message that says nothing of what it tells: "+id)
	}
}

// askAlertmanager looks whether it knows of every room that is too hot.
func (b *bench) askAlertmanager(ctx context.Context, r *Report) error {
	if b.alerts == "" {
		return nil
	}
	known := 0
	err := eventually(ctx, time.Minute, "Alertmanager knows of all rooms", func() bool {
		answer, err := http.Get(b.alerts + "/api/v2/alerts?filter=" + `condition%3D%22heat%22`)
		if err != nil {
			return false
		}
		defer answer.Body.Close()
		var list []struct {
			Labels map[string]string `json:"labels"`
		}
		if json.NewDecoder(answer.Body).Decode(&list) != nil {
			return false
		}
		rooms := map[string]bool{}
		for _, a := range list {
			rooms[a.Labels["room"]] = true
		}
		known = len(rooms)
		return known >= waves
	})
	r.Known = known
	if err != nil {
		r.Problems = append(r.Problems, err.Error())
	}
	return ctx.Err()
}
