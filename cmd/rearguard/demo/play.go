package demo

import (
	"context"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/daemon"
	"rearguard/daemon/rehearsal"
)

const (
	// step is how often the invented day is moved on, and longestStep how much
	// of a longer pause it makes up for.
	step        = 50 * time.Millisecond
	longestStep = 2 * step
	quiesce     = 50 // milliseconds; what was published has been confirmed
)

// delivery is how sensors hand over what they measured.
type delivery int

const (
	// asMeasured is one report after the other.
	asMeasured delivery = iota
	// afterOutage is all that was kept at once, which leaves out what has no
	// time of its own.
	afterOutage
)

// play publishes what the invented sensors measure, as the invented day goes
// by, and tells the story.
func (d *showing) play(ctx context.Context, engine *daemon.Engine, brokerURL string) error {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(brokerURL).SetClientID("lantern-sensors").SetOrderMatters(true))
	if err := wait(ctx, client.Connect()); err != nil {
		return err
	}
	defer client.Disconnect(quiesce)

	// A broker has nowhere to put what comes before the first subscription.
	if !subscribed(ctx, engine) {
		return nil
	}
	// First what the sensors had kept while the network was down.
	if err := d.publishUntil(ctx, client, d.begin, afterOutage); err != nil {
		return err
	}
	if err := enterCohorts(ctx, engine, d.begin); err != nil {
		return ending(ctx, err)
	}
	story, rounds, answers := d.options.Scenario.Turns, d.options.Scenario.Rounds, d.options.Scenario.Answers
	var err error
	last := d.options.Now()
	end := last.Add(d.options.For)
	ticker := time.NewTicker(step)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-ticker.C:
			if d.options.For > 0 && !now.Before(end) {
				return nil
			}
			d.passed.Add(int64(float64(min(now.Sub(last), longestStep)) * d.options.Speed))
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
		if answers, err = d.answer(ctx, engine, answers); err != nil {
			return ending(ctx, err)
		}
		if err := d.publishUntil(ctx, client, d.clock(), asMeasured); err != nil {
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
// stored what the sensors published.
func (d *showing) publishUntil(ctx context.Context, client mqtt.Client, until time.Time, how delivery) error {
	var last mqtt.Token
	for !d.house.Now().Add(rehearsal.ReportEvery).After(until) && ctx.Err() == nil {
		d.house.Advance(func(m rehearsal.Message) {
			if m.Timed || how == asMeasured {
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
func (d *showing) noteStored(messages int) {
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
