package api

import (
	"net/http"

	"rearguard/daemon/progress"
	"rearguard/daemon/snapshot"
)

// Readiness is the answer of /readyz.
type Readiness struct {
	Ready bool `json:"ready"`
	// Reasons are sentences, one for each thing that is not ready.
	Reasons []string `json:"reasons"`
	Broker  bool     `json:"broker"`
	Store   bool     `json:"store"`
	Health
}

// Health is the answer of /healthz: whether alarms are being evaluated and
// told, from what has been done and not from who answers.
type Health struct {
	Healthy bool          `json:"healthy"`
	Stages  []HealthStage `json:"stages"`
}

// HealthStage is one stage of the way from a reading to a person.
type HealthStage struct {
	Stage   string `json:"stage"`
	Healthy bool   `json:"healthy"`
	// StuckSeconds is for how long nothing has been done, Problem what that
	// means; left out for a stage that is well.
	StuckSeconds float64 `json:"stuck_seconds,omitempty"`
	Problem      string  `json:"problem,omitempty"`
}

func healthOf(report func() []progress.State) Health {
	h := Health{Healthy: true, Stages: []HealthStage{}}
	if report == nil {
		return h
	}
	for _, s := range report() {
		h.Healthy = h.Healthy && s.OK
		h.Stages = append(h.Stages, HealthStage{s.Stage, s.OK, s.For.Seconds(), s.Problem})
	}
	return h
}

// Healthy answers whether alarms are being evaluated and told: 200 if so, 503
// with the stage that is stuck if not. A broker that is down is no reason to
// restart rearguard and not asked for here.
func Healthy(report func() []progress.State) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		h := healthOf(report)
		reply(w, statusOf(h.Healthy), h)
	})
}

// Ready answers whether readings can arrive, are evaluated and kept: 200 if
// so, 503 with the reasons if not.
func Ready(source snapshot.Source, report func() []progress.State) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		r := readiness(source.Snapshot(), healthOf(report))
		reply(w, statusOf(r.Ready), r)
	})
}

func statusOf(good bool) int {
	if good {
		return http.StatusOK
	}
	return http.StatusServiceUnavailable
}

func readiness(s *snapshot.Snapshot, h Health) Readiness {
	if s == nil {
		return Readiness{Reasons: []string{"rearguard is reading its records"}, Health: h}
	}
	r := Readiness{Broker: s.Broker.Connected && s.Broker.Subscribed, Store: s.Store.OK, Reasons: []string{}, Health: h}
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
	for _, stage := range h.Stages {
		if !stage.Healthy {
			r.Reasons = append(r.Reasons, stage.Problem)
		}
	}
	r.Ready = r.Broker && r.Store && h.Healthy
	return r
}

func because(what, why string) string {
	if why == "" {
		return what
	}
	return what + ": " + why
}
