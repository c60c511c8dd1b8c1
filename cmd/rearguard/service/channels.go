package service

import (
	"fmt"
	"log/slog"

	"rearguard/alerts/notify"
	"rearguard/alerts/notify/push"
	"rearguard/daemon/facility"
)

// channels builds the channels of the configuration.
func channels(f *facility.Facility, phones notify.Phones, log *slog.Logger) (map[string]notify.Channel, error) {
	addresses := make(map[string]string)
	for _, p := range f.People {
		addresses[p.ID] = p.Email
	}
	built := make(map[string]notify.Channel)
	for _, c := range f.Channels {
		switch {
		case c.SMTP != nil:
			roots, err := facility.Authorities(c.SMTP.CAFile)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", c.ID, err)
			}
			built[c.ID] = notify.NewEmail(notify.EmailConfig{
				Host: c.SMTP.Host, Port: c.SMTP.Port, Encryption: notify.Encryption(c.SMTP.TLS),
				Username: c.SMTP.Username, Password: c.SMTP.Password().Read,
				From: c.SMTP.From, Roots: roots, Addresses: addresses,
			})
		case c.Push != nil:
			sender, err := pushSender(c.Push)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", c.ID, err)
			}
			built[c.ID] = notify.NewPush(notify.PushConfig{Sender: sender, Phones: phones, Logger: log})
		default:
			roots, err := facility.Authorities(c.CAFile)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", c.ID, err)
			}
			built[c.ID] = notify.NewWebhook(notify.WebhookConfig{URL: c.URL, Secret: c.Secret().Read, Roots: roots})
		}
	}
	return built, nil
}

// pushSender speaks to push services with the key of the configuration, which
// is made when there is none.
func pushSender(p *facility.PushSettings) (*push.Sender, error) {
	key, err := push.ReadOrCreateKey(p.KeyFile)
	if err != nil {
		return nil, err
	}
	roots, err := facility.Authorities(p.CAFile)
	if err != nil {
		return nil, err
	}
	return push.NewSender(push.Config{Key: key, Contact: p.Contact, Services: p.Services, Roots: roots}), nil
}
