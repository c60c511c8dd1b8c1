package metrics

import (
	"math"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// emitter sends metrics and keeps a scrape whole: one repeated series or one
// label that is not UTF-8 would otherwise void all of them.
type emitter struct {
	ch   chan<- prometheus.Metric
	seen map[string]bool
}

func (e *emitter) gauge(f family, value float64, labels ...string) {
	e.send(f, prometheus.GaugeValue, value, labels)
}

func (e *emitter) counter(f family, value float64, labels ...string) {
	e.send(f, prometheus.CounterValue, value, labels)
}

func (e *emitter) send(f family, kind prometheus.ValueType, value float64, labels []string) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	for i := range labels {
		labels[i] = strings.ToValidUTF8(labels[i], "\uFFFD")
	}
	key := f.name + "\x00" + strings.Join(labels, "\x00")
	if e.seen[key] {
		return
	}
	e.seen[key] = true
	m, err := prometheus.NewConstMetric(f.desc, kind, value, labels...)
	if err != nil {
		m = prometheus.NewInvalidMetric(f.desc, err)
	}
	e.ch <- m
}

// since sends the time of something that has happened.
func (e *emitter) since(f family, at time.Time) {
	if !at.IsZero() {
		e.gauge(f, seconds(at))
	}
}

func (e *emitter) maybe(f family, value *float64, scale float64, labels ...string) {
	if value != nil {
		e.gauge(f, *value*scale, labels...)
	}
}

func (e *emitter) facility(s *snapshot.Snapshot) {
	e.gauge(engineTime, seconds(s.Time))
	e.gauge(storeOK, one(s.Store.OK))
	e.gauge(clockDoubted, one(s.Clock.Doubt.Problem != ""))
	e.counter(clockSteps, float64(s.Clock.Steps))
	e.gauge(brokerUp, one(s.Broker.Connected))
	e.gauge(brokerSubs, one(s.Broker.Subscribed))
	e.counter(brokerLost, float64(s.SessionsLost))
	e.since(brokerEnds, s.Broker.CertificateEnds)
}

func (e *emitter) room(r *snapshot.Room) {
	id := string(r.ID)
	e.gauge(roomBlind, one(r.Blind), id)
	if r.Blind {
		return
	}
	e.maybe(roomTemperature, r.Temperature, 1, id)
	e.maybe(roomHumidity, r.Humidity, 0.01, id)
	e.maybe(roomVPD, r.VPDkPa, 1000, id)
	e.maybe(roomDewPoint, r.DewPointC, 1, id)
}

func (e *emitter) sensor(v *desk.View) {
	room, id := string(v.Room), string(v.ID)
	if v.Flag != 0 {
		e.gauge(sensorFlag, float64(v.Flag), room, id)
	}
	if v.ExpectedInterval > 0 {
		e.gauge(sensorInterval, v.ExpectedInterval.Seconds(), room, id)
	}
	if !v.LastReading.IsZero() {
		e.gauge(sensorLast, seconds(v.LastReading), room, id)
	}
	if v.Silent {
		return
	}
	for _, r := range v.Values {
		if r.Flag == sensors.Fail || r.Flag == sensors.Missing {
			continue
		}
		switch r.Quantity {
		case sensors.Temperature:
			e.gauge(sensorTemperature, r.Value, room, id)
		case sensors.RelativeHumidity:
			e.gauge(sensorHumidity, r.Value/100, room, id)
		case sensors.Battery:
			e.gauge(sensorBattery, r.Value/100, room, id)
		case sensors.SignalStrength:
			e.gauge(sensorSignal, r.Value, room, id)
		}
	}
}

func (e *emitter) cohort(c *snapshot.Cohort) {
	room, id, species, stage := string(c.Room), string(c.ID), string(c.Species), string(c.Stage)
	e.gauge(cohortThermalTime, c.ThermalTime, room, id, species)
	e.gauge(cohortProgress, c.StageProgress, room, id, species, stage)
	e.gauge(cohortIndividuals, float64(c.Individuals), room, id, species, stage)
	e.maybe(cohortInjury, c.HeatInjury, 1, room, id, species)
	for _, x := range c.Expected {
		for _, b := range []struct {
			name string
			at   time.Time
		}{{"early", x.Early}, {"median", x.Median}, {"late", x.Late}} {
			if !b.at.IsZero() {
				e.gauge(cohortExpected, seconds(b.at), room, id, species, string(x.Stage), string(x.Event), b.name)
			}
		}
	}
	for _, o := range c.Outcomes {
		e.gauge(cohortOutcome, o.Share, room, id, species, string(o.Outcome))
	}
}

// alarms counts alarms by label set: several sensors of one room can be
// silent at once and share one series.
func (e *emitter) alarms(s *snapshot.Snapshot) {
	type set struct{ room, condition, priority, state string }
	counts := map[set]float64{}
	for _, a := range s.Alarms {
		counts[set{string(a.Key.Room), string(a.Key.Condition), a.Priority.String(), a.State.String()}] += one(a.Active)
	}
	for k, n := range counts {
		e.gauge(alarmActive, n, k.room, k.condition, k.priority, k.state)
	}
	t := s.AlarmTotals
	e.gauge(calls, float64(t.CallsTenMinutes), "10m")
	e.gauge(calls, float64(t.CallsDay), "24h")
	e.gauge(alarmFlood, one(t.Flood))
	e.gauge(alarmStale, float64(t.Standing))
	e.gauge(alarmChatter, float64(t.Chattering))
	e.gauge(alarmUnacked, float64(t.Unacknowledged))
	e.counter(acked, float64(t.Acknowledged))
	e.counter(ackSeconds, t.AcknowledgeSeconds)
	for _, a := range s.AlarmTotals.Annunciations {
		e.counter(annunciations, float64(a.Count), string(a.Condition), a.Priority.String())
	}
}

func (e *emitter) totals(s *snapshot.Snapshot) {
	e.gauge(pending, float64(s.Pending))
	e.gauge(overdue, float64(s.Overdue))
	e.since(proven, s.Proof.At)
	e.since(heartbeat, s.Proof.Told)
	for _, c := range s.Failing {
		e.gauge(channelOpen, 1, c.Channel)
	}
	for _, n := range s.Notices {
		e.gauge(channelOpen, 0, n.Channel)
		e.counter(notices, float64(n.Count), n.Channel, string(n.Outcome))
	}
	for _, m := range s.Messages {
		e.counter(messages, float64(m.Count), string(m.Outcome))
	}
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// seconds is Unix time; milliseconds are the resolution of event times.
func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
