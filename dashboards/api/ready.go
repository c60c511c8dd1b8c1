package api

import (
	"net/http"

	"rearguard/daemon/snapshot"
)

// Readiness is the answer of /readyz.
type Readiness struct {
	Ready bool `json:"ready"`
	// Reasons are sentences, one for each thing that is not ready.
	Reasons []string `json:"reasons"`
	Broker  bool     `json:"broker"`
	Store   bool     `json:"store"`
}

// Ready answers whether readings can arrive and be kept: 200 if so, 503 with
// the reasons if not.
func Ready(source snapshot.Source) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		r := readiness(source.Snapshot())
		status := http.StatusOK
		if !r.Ready {
			status = http.StatusServiceUnavailable
		}
		reply(w, status, r)
	})
}

func readiness(s *snapshot.Snapshot) Readiness {
	if s == nil {
		return Readiness{Reasons: []string{"rearguard is reading its records"}}
	}
	r := Readiness{Broker: s.Broker.Connected && s.Broker.Subscribed, Store: s.Store.OK, Reasons: []string{}}
	if !r.Broker {
		reason := "the broker link is down"
		if s.Broker.Connected {
			reason = "the broker is connected but has not accepted the subscriptions"
		}
		r.Reasons = append(r.Reasons, because(reason, s.Broker.Problem))
	}
	if !r.Store {
		r.Reasons = append(r.Reasons, because("the records cannot be written", s.Store.Problem))
	}
	r.Ready = r.Broker && r.Store
	return r
}

func because(what, why string) string {
	if why == "" {
		return what
	}
	return what + ": " + why
}
