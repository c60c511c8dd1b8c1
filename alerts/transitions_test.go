package alerts_test

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
)

// start is the beginning of all tests; nothing depends on the date.
var start = time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)

const (
	onDelay  = 5 * time.Minute
	offDelay = 3 * time.Minute
	reAlarm  = 6 * time.Hour
	repeat   = 30 * time.Minute
	shelving = 20 * time.Hour
)

func definition(c alerts.Condition, change func(*alerts.Definition)) alerts.Definition {
	d := alerts.Definition{
		Condition: c, Title: "t", Cause: "c", Consequence: "k", FirstAction: "a",
		TimeToRespond: time.Hour, Severity: alerts.Moderate, Unit: "°C",
	}
	if change != nil {
		change(&d)
	}
	return d
}

// bench drives one alarm, with a root beside it.
type bench struct {
	t   *testing.T
	m   *alerts.Machine
	key alerts.Key
	now time.Time
	out []alerts.Transition
	err error
}

func newMachine(t testing.TB, defs []alerts.Definition, rules ...alerts.FoldRule) *alerts.Machine {
	t.Helper()
	m, err := alerts.NewMachine(defs, rules...)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// newBench builds a bench; calls are repeated in the test of that alone, since
// waiting for any other timer would run through many repetitions.
func newBench(t *testing.T, repeats ...time.Duration) *bench {
	timed := func(d *alerts.Definition) {
		d.OnDelay, d.OffDelay, d.ReAlarm, d.Repeat = onDelay, offDelay, reAlarm, repeats
	}
	m := newMachine(t, []alerts.Definition{definition("heat", timed), definition("root", nil)},
		alerts.FoldRule{Root: "root", Folds: []alerts.Condition{"heat"}})
	return &bench{t: t, m: m, key: alerts.Key{Condition: "heat", Room: "nursery"}, now: start}
}

func (b *bench) observe(key alerts.Key, truth alerts.Truth) {
	b.out = append(b.out, b.m.Observe(alerts.Observation{Key: key, Time: b.now, Truth: truth})...)
}

// hold repeats a finding every minute for longer than both delays.
func (b *bench) hold(truth alerts.Truth) {
	for range 10 {
		b.observe(b.key, truth)
		b.now = b.now.Add(time.Minute)
	}
}

func (b *bench) keep(out []alerts.Transition, err error) { b.out, b.err = append(b.out, out...), err }

func (b *bench) event(name string) {
	b.t.Helper()
	b.out, b.err = nil, nil
	root := alerts.Key{Condition: "root"}
	switch name {
	case "true":
		b.hold(alerts.True)
	case "false":
		b.hold(alerts.False)
	case "between":
		b.hold(alerts.Between)
	case "unknown":
		b.hold(alerts.Unknown)
	case "acknowledge":
		b.keep(order(b.m, alerts.Order{Verb: alerts.Acknowledge, Key: b.key, Who: "ann"}, b.now))
	case "shelve":
		b.keep(order(b.m, alerts.Order{Verb: alerts.Shelve, Key: b.key, Who: "ann", Reason: "sensor moved", For: shelving}, b.now))
	case "unshelve":
		b.keep(order(b.m, alerts.Order{Verb: alerts.Unshelve, Key: b.key, Who: "ann"}, b.now))
	case "out-of-service":
		b.keep(order(b.m, alerts.Order{Verb: alerts.TakeOut, Key: b.key, Who: "ann", Reason: "heater replaced"}, b.now))
	case "return-to-service":
		b.keep(order(b.m, alerts.Order{Verb: alerts.Return, Key: b.key, Who: "ann"}, b.now))
	case "root-raised":
		b.observe(root, alerts.True)
	case "root-returned":
		b.observe(root, alerts.False)
	case "re-alarm":
		b.now = b.now.Add(reAlarm)
		b.keep(b.m.Advance(b.now), nil)
	case "repeat":
		b.now = b.now.Add(repeat)
		b.keep(b.m.Advance(b.now), nil)
	case "shelving-ends":
		b.now = b.now.Add(shelving)
		b.keep(b.m.Advance(b.now), nil)
	default:
		b.t.Fatalf("the table has an unknown event %q", name)
	}
}

// ways says how each state of the table is reached from a new machine.
var ways = map[string][]string{
	"normal":              {},
	"unacknowledged":      {"true"},
	"acknowledged":        {"true", "acknowledge"},
	"returned":            {"true", "false"},
	"shelved-quiet":       {"shelve"},
	"shelved-true":        {"shelve", "true"},
	"shelved-told":        {"true", "shelve"},
	"out-quiet":           {"out-of-service"},
	"out-true":            {"out-of-service", "true"},
	"out-told":            {"true", "out-of-service"},
	"folded-true":         {"root-raised", "true"},
	"folded-told":         {"true", "root-raised"},
	"folded-acknowledged": {"true", "acknowledge", "root-raised"},
}

var events = []string{
	"true", "false", "between", "unknown", "acknowledge", "re-alarm", "repeat", "shelve", "unshelve",
	"out-of-service", "return-to-service", "root-raised", "root-returned",
}

type row struct{ to, calls, clears, occurrence string }

// readTable reads transitions.md into one row for each pair.
func readTable(t *testing.T) map[[2]string]row {
	text, err := os.ReadFile("transitions.md")
	if err != nil {
		t.Fatal(err)
	}
	table := map[[2]string]row{}
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 6 || strings.Contains(line, "---") {
			continue
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if cells[0] == "from" {
			continue
		}
		for from := range strings.SplitSeq(cells[0], ", ") {
			for event := range strings.SplitSeq(cells[1], ", ") {
				pair := [2]string{from, event}
				if _, twice := table[pair]; twice {
					t.Errorf("%v is in the table twice", pair)
				}
				table[pair] = row{cells[2], cells[3], cells[4], cells[5]}
			}
		}
	}
	return table
}

func TestTransitionTable(t *testing.T) {
	table := readTable(t)
	for from := range ways {
		wanted := events
		if strings.HasPrefix(from, "shelved") {
			wanted = append([]string{"shelving-ends"}, events...)
		}
		for _, event := range wanted {
			if _, ok := table[[2]string{from, event}]; !ok {
				t.Errorf("the table lacks %s + %s", from, event)
			}
		}
	}
	for pair, want := range table {
		t.Run(pair[0]+"/"+pair[1], func(t *testing.T) {
			way, ok := ways[pair[0]]
			if !ok {
				t.Fatalf("no way is known to state %q", pair[0])
			}
			b := newBench(t)
			if pair[1] == "repeat" {
				b = newBench(t, repeat)
			}
			for _, event := range way {
				if b.event(event); b.err != nil {
					t.Fatalf("on the way, %s: %v", event, b.err)
				}
			}
			before := b.m.Alarm(b.key)
			b.event(pair[1])
			got := outcome(b, before)
			if got != want {
				t.Errorf("got %+v, want %+v\ntransitions %+v", got, want, b.out)
			}
		})
	}
}

func outcome(b *bench, before alerts.Alarm) row {
	after := b.m.Alarm(b.key)
	got := row{to: after.State().String(), calls: "no", clears: "no"}
	calls := 0
	state := before.State()
	for _, tr := range b.out {
		if tr.Key != b.key {
			continue
		}
		if tr.From != state {
			got.to = fmt.Sprintf("broken chain: %v then %v", state, tr.From)
		}
		state = tr.To
		if tr.Annunciate {
			calls++
			got.calls = "yes"
		}
		if tr.Cleared {
			got.clears = "yes"
		}
	}
	if state != after.State() {
		got.to = fmt.Sprintf("transitions end in %v, alarm is %v", state, after.State())
	}
	if calls > 1 {
		got.calls = fmt.Sprintf("%d times", calls)
	}
	if b.err != nil {
		got.to = "refused"
		if !errors.Is(b.err, alerts.ErrAlready) && !errors.Is(b.err, alerts.ErrNotSo) && !errors.Is(b.err, alerts.ErrNothingOpen) {
			got.to = b.err.Error()
		}
	}
	switch {
	case before.Occurrence == after.Occurrence && after.Occurrence == 0:
		got.occurrence = "none"
	case before.Occurrence == after.Occurrence:
		got.occurrence = "same"
	case after.Occurrence == 0:
		got.occurrence = "closed"
	default:
		got.occurrence = "new"
	}
	return got
}
