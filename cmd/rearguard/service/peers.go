package service

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"net/http"
	"time"

	"rearguard/alerts/notify"
	"rearguard/alerts/peers"
	"rearguard/daemon/facility"
)

// peersOf are the sites of a configuration as they are watched.
func peersOf(f *facility.Facility) []peers.Peer {
	var list []peers.Peer
	for i := range f.Peers {
		p := &f.Peers[i]
		list = append(list, peers.Peer{ID: p.ID, Name: p.Name, SilentAfter: p.SilentAfter, Secret: p.Secret().Read})
	}
	return list
}

// watchPeers begins to watch the sites of the configuration. Those that were
// silent before the start still are.
func (s proofs) watchPeers() {
	silent := map[string]time.Duration{}
	for _, sign := range s.engine.Snapshot().Sites {
		if !sign.Since.IsZero() {
			silent[sign.ID] = s.now().Sub(sign.Since)
		}
	}
	s.peers.Use(peersOf(s.Facility), s.elapsed(), silent)
}

// takeBeat takes the beat of another site in.
func (s proofs) takeBeat(id string, header http.Header, body []byte) error {
	return s.peers.Take(id, header, body, s.now(), s.elapsed())
}

// beatBody is what a beat says; the signature is what counts.
const beatBody = `{"type":"beat"}`

// toPeer is another site as it is told that this one is well.
func (s proofs) toPeer(p *facility.Peer) (*outside, error) {
	roots, err := facility.Authorities(p.CAFile)
	if err != nil {
		return nil, fmt.Errorf("peer %s: %w", p.ID, err)
	}
	return &outside{name: p.Name, every: p.Every, client: notify.NewHTTPClient(roots), call: func(ctx context.Context, client *http.Client) error {
		secret, err := p.Secret().Read()
		if err != nil {
			return err
		}
		header, err := peers.Beat(secret, []byte(beatBody), s.now())
		if err != nil {
			return err
		}
		request, err := http.NewRequestWithContext(ctx, http.MethodPost, p.URL, bytes.NewReader([]byte(beatBody)))
		if err != nil {
			return fmt.Errorf("call %s: %w", p.Name, err)
		}
		maps.Copy(request.Header, header)
		request.Header.Set("Content-Type", "application/json")
		request.Header.Set("User-Agent", "rearguard")
		_, err = notify.Exchange(client, request, p.Name, s.now(), secret)
		return err
	}}, nil
}

// beatPeers watches the sites of the configuration in force and tells them,
// until ctx ends, that all is proven here, and nothing while it is not.
func (s proofs) beatPeers(ctx context.Context) {
	of := s.Facility
	targets := s.targetsOf(of)
	s.eachTick(ctx, func() {
		if f := s.inForce(); f != of {
			of, targets = f, s.targetsOf(f)
			s.peers.Use(peersOf(f), s.elapsed(), nil)
		}
		for _, to := range targets {
			if s.elapsed() < to.due || len(s.missing(ctx)) > 0 {
				continue
			}
			// It is told to people there, who see nothing of it here.
			if err := to.turn(ctx, s.elapsed()); err != nil && to.failed == 1 && ctx.Err() == nil {
				s.Logger.Warn("another site cannot be told that all is well; it will be tried again", "site", to.name, "error", err)
			}
		}
	})
}

func (s proofs) targetsOf(f *facility.Facility) []*outside {
	var list []*outside
	for i := range f.Peers {
		if f.Peers[i].URL == "" {
			continue
		}
		to, err := s.toPeer(&f.Peers[i])
		if err != nil {
			s.Logger.Error("another site cannot be told anything", "error", err)
			continue
		}
		list = append(list, to)
	}
	return list
}
