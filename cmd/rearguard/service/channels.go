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
			config := notify.WebhookConfig{URL: c.URL, Roots: roots, Contacts: f.Contacts()}
			if c.Secret() != (facility.Secret{}) {
				config.Secret = c.Secret().Read
			}
			if config.Template, err = templateOf(&c); err != nil {
				return nil, fmt.Errorf("channel %s: %w", c.ID, err)
			}
			built[c.ID] = notify.NewWebhook(config)
		}
	}
	return built, nil
}

// templateOf reads the template of a webhook, nil for none.
func templateOf(c *facility.Channel) (*notify.Template, error) {
	if c.Template == nil {
		return nil, nil
	}
	source, err := c.Template.Source()
	if err != nil {
		return nil, err
	}
	return notify.NewTemplate(source)
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
