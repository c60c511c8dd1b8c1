package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"slices"
	"time"

	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/relay"
	"rearguard/alerts/roster"
	"rearguard/daemon"
	"rearguard/daemon/progress"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// filtersName is the blob that remembers what the broker's session is
// subscribed to.
const filtersName = "broker/filters"

// filterStore keeps the link's filters in the records.
type filterStore struct{ store *records.Store }

// SubscribedFilters gives the filters of the last session, none when there was
// no session yet.
func (f filterStore) SubscribedFilters(ctx context.Context) ([]string, error) {
	body, err := f.store.LoadState(ctx, filtersName)
	if errors.Is(err, records.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var filters []string
	if err := json.Unmarshal(body, &filters); err != nil {
		return nil, fmt.Errorf("read %s from the records: %w", filtersName, err)
	}
	return filters, nil
}

// SaveSubscribedFilters replaces them.
func (f filterStore) SaveSubscribedFilters(ctx context.Context, filters []string) error {
	body, err := json.Marshal(filters)
	if err != nil {
		return err
	}
	return f.store.Commit(ctx, &records.Batch{State: map[string][]byte{filtersName: body}})
}

// relayRefused passes on to the engine, until ctx ends, the messages that the
// link refused for their size.
func (s *service) relayRefused(ctx context.Context, out chan<- desk.Refused) {
	s.eachTick(ctx, func() {
		newest, count := s.refused.Take()
		if count == 0 {
			return
		}
		refused := desk.Refused{Count: count}
		for _, m := range newest {
			refused.Newest = append(refused.Newest, desk.Rejected{
				Time: m.Time, Topic: m.Topic, Outcome: desk.Oversize, Reason: m.Reason, Excerpt: sensors.Excerpt(m.Head),
			})
		}
		handOver(ctx, out, refused)
	})
}

// relayNotices passes on to the engine, until ctx ends, what became of notices
// whenever that has changed.
func (s *service) relayNotices(ctx context.Context, out chan<- snapshot.NoticeState) {
	var last snapshot.NoticeState
	s.eachTick(ctx, func() {
		state, err := daemon.NoticesIn(ctx, s.store.Reader, s.now())
		state.Failing, state.Sites = s.circuits.States(), s.peers.Signs(s.now(), s.elapsed())
		state.Trouble = withTroubles(state.Trouble, append(s.relay.Troubles(), failing(state.Failing, s.now())...))
		state.Trouble.Unproven = s.people.unproven()
		if err == nil && !state.Equal(last) {
			last = state
			handOver(ctx, out, state)
		}
	})
}

// failingFor is how long a channel counts as trouble that nothing was sent by:
// there may be nothing to send, and nobody knows.
const failingFor = 24 * time.Hour

// failing is the trouble with channels that do not work.
func failing(list []circuit.State, now time.Time) []relay.Trouble {
	var troubles []relay.Trouble
	for _, c := range list {
		if now.Sub(c.Last) < failingFor {
			troubles = append(troubles, relay.Trouble{Name: c.Channel, Since: c.Since, Problem: c.Problem})
		}
	}
	return troubles
}

// access says who may speak to the pages, by the configuration.
func (s *service) access() web.Access {
	settings := s.Facility.Web
	hosts := settings.Hosts
	if host, _, err := net.SplitHostPort(settings.Listen); err == nil && net.ParseIP(host) == nil && host != "" {
		hosts = append(slices.Clone(hosts), host)
	}
	return web.Access{Hosts: hosts, PublicURL: settings.PublicURL, Proxies: settings.ProxyNetworks()}
}

// roster is that of the configuration in force.
func (s *service) roster() *roster.Roster {
	return s.site.now.Load().roster
}

// noteRound takes note that the outbox has been looked through.
func (s *service) noteRound(waits bool) {
	if waits {
		s.progress.Waits(progress.Tell)
	} else {
		s.progress.Done(progress.Tell)
	}
}
