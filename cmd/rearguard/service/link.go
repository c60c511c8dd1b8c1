package service

import (
	"context"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/snapshot"
	"rearguard/sensors/broker"
	"rearguard/sensors/payload"
)

// relayLinks passes the link's states on in the engine's terms, until ctx ends.
func (s *service) relayLinks(ctx context.Context, out chan<- snapshot.Link) {
	for {
		select {
		case <-ctx.Done():
			return
		case state := <-s.link.States():
			handOver(ctx, out, snapshot.Link{
				Address: s.Facility.Broker.Address, Connected: state.Connected, Subscribed: state.Subscribed,
				Since: state.Since, Problem: state.Problem,
				SessionLost: state.SessionLost, CertificateEnds: state.CertificateEnds,
			})
		}
	}
}

func (s *service) linkConfig() (broker.Config, error) {
	b := s.Facility.Broker
	wanted, err := filters(s.Facility)
	return broker.Config{
		URL: b.Address, ClientID: b.ClientID,
		Login:        broker.Login{Username: b.Username, PasswordFile: b.PasswordFile, PasswordEnv: b.PasswordEnv},
		Certificates: broker.Certificates{CAFile: b.CAFile, CertFile: b.CertificateFile, KeyFile: b.KeyFile},
		Filters:      wanted,
		FilterStore:  filterStore{s.store},
		Availability: b.AvailabilityTopic,
		Note:         broker.Note{Topic: noteTopic(b), Found: s.foundNote},
		MaxPayload:   b.PayloadLimitBytes,
		Unusable:     s.refused,
		Clock:        s.now,
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

// requestsWaiting bounds the requests to sensors that wait for the broker; one
// that does not fit is made again by its decoder.
const requestsWaiting = 64

// publishWithin bounds one request to a sensor.
const publishWithin = 5 * time.Second

// ask leaves a request to a sensor to askSensors.
func (s *service) ask(r payload.Request) {
	select {
	case s.requests <- r:
	default:
	}
}

// askSensors publishes what must be asked of sensors until ctx ends.
func (s *service) askSensors(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case r := <-s.requests:
			limited, done := context.WithTimeout(ctx, publishWithin)
			err := s.link.Publish(limited, broker.Publication{Topic: r.Topic, Payload: r.Payload})
			done()
			if err != nil && ctx.Err() == nil {
				s.Logger.Warn("a sensor could not be asked; it will be asked again", "topic", r.Topic, "error", err)
			}
		}
	}
}
