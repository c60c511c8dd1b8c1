package daemon_test

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
	"rearguard/sensors/quality"
	"rearguard/sensors/unclaimed"
)

// page renders state as text, one fact a line, so that a difference names the
// thing that differs. Every field is named here: the text stays as it is when
// fields are grouped anew.
type page struct{ strings.Builder }

// line writes a subject and pairs of name and value.
func (p *page) line(subject string, pairs ...any) {
	p.WriteString(subject)
	for i := 0; i+1 < len(pairs); i += 2 {
		_, _ = fmt.Fprintf(p, " %v=%s", pairs[i], told(pairs[i+1]))
	}
	p.WriteByte('\n')
}

// told is one value as text: times in UTC to the millisecond, numbers to
// twelve significant digits, what is absent as a dash.
func told(v any) string {
	switch v := v.(type) {
	case time.Time:
		if v.IsZero() {
			return "-"
		}
		return v.UTC().Format("2006-01-02T15:04:05.000Z")
	case float64:
		return fmt.Sprintf("%.12g", v)
	case *float64:
		if v == nil {
			return "-"
		}
		return told(*v)
	case *time.Duration:
		if v == nil {
			return "-"
		}
		return v.String()
	case *alerts.Key:
		if v == nil {
			return "-"
		}
		return told(*v)
	case alerts.Key:
		return fmt.Sprintf("%s/%s/%s", v.Condition, v.Room, v.Subject)
	case string:
		return fmt.Sprintf("%q", v)
	case fmt.Stringer:
		return fmt.Sprintf("%q", v.String())
	}
	return fmt.Sprint(v)
}

func (p *page) transitions(list []records.AlarmTransition) {
	for _, t := range list {
		p.line("step", "at", t.Time, "key", t.Key, "occurrence", t.Occurrence, "event", string(t.Event), "from", t.From, "to", t.To,
			"who", t.Who, "reason", t.Reason, "annunciate", t.Annunciate, "cleared", t.Cleared, "priority", t.Priority)
	}
}

func (p *page) snapshot(s *snapshot.Snapshot) {
	p.line("snapshot", "time", s.Time, "facility", s.Facility, "zone", s.Location.String(), "pending", s.Pending)
	p.line("broker", "connected", s.Broker.Connected, "subscribed", s.Broker.Subscribed, "since", s.Broker.Since, "problem", s.Broker.Problem)
	for i := range s.Cohorts {
		p.cohort(&s.Cohorts[i])
	}
	for i := range s.Rooms {
		p.room(&s.Rooms[i])
	}
	for i := range s.Sensors {
		p.sensor("sensor", &s.Sensors[i])
	}
	for i := range s.Retired {
		p.sensor("retired", &s.Retired[i])
	}
	for i := range s.Alarms {
		p.alarm(&s.Alarms[i])
	}
	p.totals(s)
	for _, f := range s.Certificates {
		p.certificate("certificate", &f)
	}
	for _, w := range s.Swaps {
		p.swap(w)
	}
	for _, u := range s.Unclaimed {
		p.unclaimed(&u)
	}
	for _, r := range s.Rejected {
		p.line("rejected", "at", r.Time, "topic", r.Topic, "outcome", string(r.Outcome), "reason", r.Reason, "excerpt", r.Excerpt)
	}
	p.learning(s.Learning)
	p.species(s)
	for _, l := range s.LimitChanges {
		p.line("limit change", "at", l.At, "what", l.What, "from", l.From, "to", l.To)
	}
}

func (p *page) cohort(c *snapshot.Cohort) {
	name := "cohort " + string(c.ID)
	p.line(name, "species", string(c.Species), "called", c.SpeciesName, "room", string(c.Room), "start", c.Start, "note", c.Note,
		"assumed", c.Assumed, "source", c.Source)
	p.line(name, "stage", string(c.Stage), "named", c.StageName, "progress", c.StageProgress, "individuals", c.Individuals,
		"thermal", c.ThermalTime, "estimated", c.Estimated, "catching_up", c.CatchingUp,
		"injury", c.HeatInjury, "rate", c.Rate, "rate_sd", c.RateSD, "verdicts", len(c.Verdicts))
	for _, s := range c.Stages {
		p.line(name+" share", "stage", string(s.Stage), "share", s.Share)
	}
	for _, e := range c.Entered {
		p.line(name+" entered", "stage", string(e.Stage), "named", e.Name, "at", e.At)
	}
	for _, e := range c.Expected {
		p.line(name+" expected", "event", string(e.Event), "stage", string(e.Stage), "early", e.Early, "median", e.Median, "late", e.Late)
	}
	for _, o := range c.Outcomes {
		p.line(name+" outcome", "is", string(o.Outcome), "share", o.Share)
	}
	for _, l := range c.Losses {
		p.line(name+" loss", "stage", string(l.Stage), "cause", l.Cause, "number", l.Number)
	}
	for _, n := range c.Counts {
		p.line(name+" count", "id", n.ID, "at", n.Time, "stage", string(n.Stage), "seen", n.Seen, "beyond", n.OrBeyond, "of", n.Of,
			"lost", n.Lost, "cause", n.Cause, "length", n.LengthMM, "by", n.By, "note", n.Note, "undone", n.Undone)
	}
	for _, v := range c.Verdicts {
		p.line(name+" verdict", "count", v.Count, "at", v.Time, "stage", string(v.Stage), "seen", v.Seen, "of", v.Of,
			"expected", v.Expected, "low", v.Low, "high", v.High, "chance", v.Chance, "conflict", v.Conflict)
	}
	p.numbers(name+" day", c.Daily)
	p.numbers(name+" week", c.Week)
	p.progress(name, c.Progress)
}

func (p *page) numbers(name string, list []forecast.DayNumbers) {
	for _, n := range list {
		p.line(name, "from", n.Day, "event", string(n.Event), "stage", string(n.Stage), "expected", n.Expected, "low", n.Low, "high", n.High)
	}
}

// progress is what plans are made from.
func (p *page) progress(name string, g *population.Progress) {
	if g == nil {
		p.line(name+" progress", "is", nil)
		return
	}
	main, through := g.Main()
	typical := g.Typical()
	p.line(name+" progress", "time", g.Time(), "missing", missing(g).String(), "main", string(main), "through", through,
		"typical", string(typical.Stage), "typical_progress", typical.StageProgress, "alive", g.Alive())
}

// missing is the time that a progress passed over without any air. Nobody but
// a checkpoint and this page wants to know it, so it has no method.
func missing(g *population.Progress) time.Duration {
	return time.Duration(reflect.ValueOf(g).Elem().FieldByName("missing").Int())
}

func (p *page) room(r *snapshot.Room) {
	name := "room " + string(r.ID)
	p.line(name, "name", r.Name, "blind", r.Blind, "temperature", r.Temperature, "coldest", r.Coldest, "warmest", r.Warmest,
		"humidity", r.Humidity, "driest", r.Driest, "dampest", r.Dampest, "vpd", r.VPDkPa, "dew", r.DewPointC,
		"updated", r.Updated, "usable", r.UsableSensors, "total", r.TotalSensors)
	for _, l := range r.Limits {
		p.line(name+" limit", "condition", string(l.Condition), "value", l.Value, "unit", l.Unit, "by", l.SetBy, "assumed", l.Assumed, "after", l.After.String())
	}
	if e := r.Expected; e != nil {
		p.line(name+" expected", "from", string(e.From), "days", e.Days, "doubt", e.Doubt.DayMeanSDC, "persistence", e.Doubt.Persistence, "scenarios", e.Doubt.Scenarios)
		for h := range 24 {
			at := r.Updated.Truncate(time.Hour).Add(time.Duration(h*3) * time.Hour)
			p.line(name+" expected air", "at", at, "temperature", e.Air.TemperatureC(at))
		}
	}
	for _, b := range r.Bending {
		p.line(name+" bending", "species", string(b.Species), "called", b.SpeciesName, "stage", string(b.Stage), "named", b.StageName,
			"days", b.Days, "along", b.Along, "at_means", b.AtMeans, "unit", b.Unit, "relative", b.Relative)
	}
	for _, d := range r.Disagreements {
		p.line(name+" disagreement", "quantity", d.Quantity, "spread", d.Spread, "limit", d.Limit, "sensors", d.Sensors, "raised", d.Raised)
	}
	for _, c := range r.Recent {
		p.line(name+" recent", "at", c.Time, "temperature", c.Temperature, "humidity", c.Humidity)
	}
}

func (p *page) sensor(kind string, s *desk.View) {
	name := kind + " " + string(s.ID)
	p.line(name, "room", string(s.Room), "position", s.Position, "topic", s.Topic, "place", string(s.Place), "height", s.HeightM,
		"replaces", string(s.Replaces), "retired", s.Retired)
	p.line(name, "last", s.LastReading, "silent", s.Silent, "interval", s.ExpectedInterval.String(), "flag", s.Flag)
	for _, v := range s.Values {
		p.line(name+" value", "quantity", v.Quantity, "at", v.Time, "arrival", v.Arrival, "raw", v.Raw, "value", v.Value, "flag", v.Flag)
	}
	for _, f := range s.Findings {
		p.line(name+" finding", "quantity", f.Quantity, "check", string(f.Check), "flag", f.Flag, "text", f.Text, "since", f.Since)
	}
	for _, one := range s.Series {
		series := name + " series " + one.Quantity.String()
		p.line(series, "flagged", one.FlaggedSince, "offset", one.Offset)
		if d := one.Drift; d != nil {
			p.line(series+" drift", "size", d.Size, "per_day", d.PerDay, "since", d.Since)
		}
		if a := one.Amended; a != nil {
			p.amendment(series, a)
		}
		if one.Calibration != nil {
			p.line(series+" calibration", "number", one.Calibration.Certificate.Number, "holds", one.Calibration.Holds)
		}
	}
	h := s.Health
	p.line(name+" health", "interval", h.Interval.String(), "silent_after", h.SilentAfter.String(), "announces", h.Announces, "gone", h.GoneSince,
		"skew", h.ClockSkew, "battery_per_day", h.BatteryPerDay, "battery_days", h.BatteryDays)
	if s.Bench != nil {
		p.bench(name, s.Bench)
	}
}

func (p *page) amendment(name string, a *quality.Amendment) {
	p.line(name+" amended", "at", a.Time, "value", a.Value, "was", a.Was, "flag", a.Flag, "size", a.Size, "limit", a.Limit)
}

func (p *page) bench(name string, b *calibration.BenchView) {
	p.line(name+" bench", "quantity", b.Quantity, "since", b.Since, "by", b.By, "wanted", b.Wanted, "problem", b.Problem, "curve", len(b.Curve))
	p.measurement(name+" bench now", b.Now)
	for _, r := range b.Curve {
		p.line(name+" bench reading", "at", r.Time, "raw", r.Raw)
	}
	p.points(name+" bench", b.Points)
	if b.Result != nil {
		p.result(name+" bench", b.Result)
	}
}

func (p *page) measurement(name string, m calibration.Measurement) {
	p.line(name, "from", m.From, "to", m.To, "n", m.N, "mean", m.Mean, "sd", m.StdDev, "slope", m.Slope, "spread", m.Spread,
		"resolution", m.Resolution, "stable", m.Stable, "waiting", m.Waiting)
}

func (p *page) points(name string, list []calibration.Point) {
	for _, one := range list {
		p.line(name+" point", "reference", one.Reference, "true", one.True, "uncertainty", one.Uncertainty, "source", one.Source)
		p.measurement(name+" point reading", one.Reading)
	}
}

func (p *page) result(name string, r *calibration.Result) {
	p.line(name+" result", "quantity", r.Quantity, "gain", r.Gain, "offset", r.Offset, "gain_u", r.GainUncertainty, "offset_u", r.OffsetUncertainty)
	p.points(name+" result", r.Points)
}

func (p *page) certificate(kind string, f *calibration.InForce) {
	c := &f.Certificate
	name := kind + " " + c.Number
	p.line(name, "sensor", string(c.Series.Sensor), "quantity", c.Series.Quantity, "at", c.At, "by", c.By, "from", c.From, "due", c.Due,
		"note", c.Note, "holds", f.Holds, "overruled", f.Overruled)
	for _, i := range c.Instruments {
		p.line(name+" instrument", "name", i.Name, "serial", i.Serial, "certificate", i.Certificate, "due", i.Due)
	}
	p.result(name, &c.Result)
}

func (p *page) swap(w quality.Swap) {
	p.line("swap", "a", string(w.A), "b", string(w.B), "since", w.Since)
}

func (p *page) alarm(a *snapshot.Alarm) {
	name := "alarm " + told(a.Key)
	p.line(name, "occurrence", a.Occurrence, "priority", a.Priority, "state", a.State, "active", a.Active, "under", a.Under,
		"value", a.Value, "limit", a.Limit, "unit", a.Unit, "due", a.Due, "cohorts", a.Cohorts)
	p.line(name, "raised", a.RaisedAt, "cleared", a.ClearedAt, "acknowledged", a.AcknowledgedAt, "acknowledged_by", a.AcknowledgedBy,
		"shelved_until", a.ShelvedUntil, "shelved_by", a.ShelvedBy, "shelved_reason", a.ShelvedReason,
		"out_of_service_by", a.OutOfServiceBy, "out_of_service_reason", a.OutOfServiceReason)
	p.line(name, "title", a.Title, "detail", a.Detail, "cause", a.Cause, "consequence", a.Consequence, "first_action", a.FirstAction,
		"respond", a.TimeToRespond.String())
}

func (p *page) totals(s *snapshot.Snapshot) {
	t := s.AlarmTotals
	p.line("alarm totals", "ten_minutes", t.CallsTenMinutes, "day", t.CallsDay, "flood", t.Flood, "standing", t.Standing,
		"chattering", t.Chattering, "unacknowledged", t.Unacknowledged, "acknowledged", t.Acknowledged, "seconds", t.AcknowledgeSeconds)
	for _, a := range s.AlarmTotals.Annunciations {
		p.line("annunciations", "condition", string(a.Condition), "priority", a.Priority, "count", a.Count)
	}
	for _, m := range s.Messages {
		p.line("messages", "outcome", string(m.Outcome), "count", m.Count)
	}
	for _, n := range s.Notices {
		p.line("notices", "channel", n.Channel, "outcome", n.Outcome, "count", n.Count)
	}
}

func (p *page) unclaimed(u *unclaimed.TopicView) {
	name := "unclaimed " + u.Topic
	p.line(name, "first", u.First, "last", u.Last, "count", u.Count, "per_minute", u.PerMinute, "format", u.Format)
	for _, e := range u.Payloads {
		p.line(name+" payload", "at", e.Time, "topic", e.Topic, "excerpt", e.Excerpt)
	}
	for _, f := range u.Fields {
		p.line(name+" field", "at", f.At, "quantity", f.Quantity, "unit", f.Unit, "value", f.Value)
		for _, t := range f.Trace {
			p.line(name+" trace "+f.At, "at", t.Time, "value", t.Value)
		}
	}
}

func (p *page) learning(l *study.Learning) {
	if l == nil {
		return
	}
	for _, o := range l.Observations {
		p.line("observation", "cohort", string(o.Cohort), "species", string(o.Species), "stage", string(o.Stage), "until", string(o.Until),
			"ended", o.Ended, "days", o.Days, "doubt", o.DoubtDays, "temperature", o.TemperatureC)
	}
	for i := range l.Decisions {
		d := &l.Decisions[i]
		p.line("decision", "species", string(d.Species), "stage", string(d.Stage), "until", string(d.Until), "adopted", d.Adopted, "fit", d.Fit,
			"spread", d.RateSpread, "observations", d.Observations, "who", d.Who, "at", d.At)
		for _, c := range d.Stages {
			p.line("decision stage", "stage", string(c.Stage), "lower", c.LowerC, "requirement", c.Requirement, "spread", c.Spread,
				"method", string(c.Method), "source", c.Source)
		}
	}
}

// species are the constants in force that are not those of the library.
func (p *page) species(s *snapshot.Snapshot) {
	for _, v := range s.Species {
		p.line("species "+string(v.ID), "name", v.Name, "scientific", v.ScientificName, "stages", len(v.Stages), "assumed", v.Assumed, "origin", string(v.Origin))
		now, _ := s.Catalog.Species(v.ID)
		before, _ := s.Starting.Species(v.ID)
		if now == nil || before == nil || now.Origin == before.Origin {
			continue
		}
		for _, st := range now.Stages {
			p.line("species "+string(v.ID)+" stage", "stage", string(st.ID), "requirement", st.Requirement, "spread", st.Spread,
				"source", st.Source, "assumed", st.Assumed)
		}
	}
}
