package service

import (
	"fmt"

	"rearguard/alerts/notify"
	"rearguard/daemon/facility"
)

// channels builds the channels of the configuration.
func channels(f *facility.Facility) (map[string]notify.Channel, error) {
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
