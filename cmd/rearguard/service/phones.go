package service

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"sync/atomic"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/push"
	"rearguard/daemon/facility"
	kept "rearguard/daemon/records/phones"
	"rearguard/dashboards/web/phones"
)

// phoneDesk is the phones as pages see them, by the configuration in force.
type phoneDesk struct {
	book     *kept.Book
	facility func() *facility.Facility
	clock    func() time.Time
	// channel is nil where none of kind push is configured.
	channel atomic.Pointer[notify.Push]
}

// useChannels replaces the channels.
func (d *phoneDesk) useChannels(built map[string]notify.Channel) {
	var now *notify.Push
	for _, c := range built {
		if p, ok := c.(*notify.Push); ok {
			now = p
		}
	}
	d.channel.Store(now)
}

// Key is the public key that phones subscribe to, empty for none.
func (d *phoneDesk) Key() string {
	channel := d.channel.Load()
	if channel == nil {
		return ""
	}
	return channel.Sender().Key().Public()
}

// People are those of the configuration, with how the roster has them told.
func (d *phoneDesk) People() []phones.Person {
	f := d.facility()
	list := make([]phones.Person, len(f.People))
	channel := f.PushChannel()
	for i, p := range f.People {
		list[i] = phones.Person{ID: p.ID, Name: p.Name}
		for _, duty := range f.Roster {
			if channel == nil || !slices.Contains(duty.Who, p.ID) {
				continue
			}
			others := len(duty.Channels)
			if slices.Contains(duty.Channels, channel.ID) {
				list[i].ByPhone = true
				others--
			}
			list[i].Otherwise = list[i].Otherwise || others > 0 && slices.Contains(duty.Priorities, alerts.Critical)
		}
	}
	return list
}

// Phones are those that are or were subscribed.
func (d *phoneDesk) Phones() []kept.Phone { return d.book.Phones() }

var errNoPush = errors.New("no channel of kind push is configured: add one to facility.yaml")

// Subscribe enters a phone of a person of the configuration, at a push service
// that is known.
func (d *phoneDesk) Subscribe(ctx context.Context, s phones.Subscription) error {
	channel := d.channel.Load()
	if channel == nil {
		return errNoPush
	}
	if !slices.ContainsFunc(d.facility().People, func(p facility.Person) bool { return p.ID == s.Person }) {
		return errors.New("choose somebody of the configuration")
	}
	subscription, err := push.NewSubscription(s.Endpoint, s.P256dh, s.Auth)
	if err != nil {
		return err
	}
	if err := channel.Sender().Admits(subscription); err != nil {
		return err
	}
	sealed, err := channel.Sender().Key().Seal(subscription)
	if err != nil {
		return err
	}
	return d.book.Subscribe(ctx, kept.Entry{
		Device: s.Device, Person: s.Person, Name: s.Name, Fingerprint: subscription.Fingerprint(), Sealed: sealed, Again: s.Again,
	}, d.clock())
}

// Remove has a phone get nothing any more.
func (d *phoneDesk) Remove(ctx context.Context, id int64) error { return d.book.Remove(ctx, id) }

// Test sends a phone a message whose tap opens the page that notes it.
func (d *phoneDesk) Test(ctx context.Context, id int64) error {
	channel := d.channel.Load()
	if channel == nil {
		return errNoPush
	}
	phone, word, err := d.book.BeginTest(ctx, id, d.clock())
	if err != nil {
		return err
	}
	if err := channel.Test(ctx, phone, d.facility().Site.Name, "/phones?seen="+url.QueryEscape(word), d.clock()); err != nil {
		return fmt.Errorf("the test was not sent: %w", err)
	}
	return nil
}

// Seen notes that the test with a word was tapped.
func (d *phoneDesk) Seen(ctx context.Context, word string) error {
	return d.book.Seen(ctx, word, d.clock())
}
