package api

import (
	"math"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// instant is nil for the zero time, so that it is left out.
func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// scaled converts a unit; what JSON cannot hold is left out.
func scaled(v *float64, by float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	out := *v * by
	return &out
}

// finite is zero for what JSON cannot hold.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

func roomOf(r *daemon.RoomView) Room {
	out := Room{
		ID: string(r.ID), Name: r.Name, Blind: r.Blind, Updated: instant(r.Updated),
		UsableSensors: r.UsableSensors, TotalSensors: r.TotalSensors, Limits: []Limit{}, Bending: []BendingError{},
	}
	if e := r.Expected; e != nil {
		out.Expected = &ExpectedAir{e.From, e.Days, finite(e.Doubt.DayMeanSDC), finite(e.Doubt.Persistence)}
	}
	for _, b := range r.Bending {
		out.Bending = append(out.Bending, BendingError{string(b.Species), string(b.Stage), b.Days, finite(b.Relative)})
	}
	if !r.Blind {
		out.Temperature, out.Coldest, out.Warmest = scaled(r.Temperature, 1), scaled(r.Coldest, 1), scaled(r.Warmest, 1)
		out.Humidity, out.Driest, out.Dampest = scaled(r.Humidity, 0.01), scaled(r.Driest, 0.01), scaled(r.Dampest, 0.01)
		out.VPD, out.DewPoint = scaled(r.VPDkPa, 1000), scaled(r.DewPointC, 1)
	}
	for _, l := range r.Limits {
		out.Limits = append(out.Limits, Limit{string(l.Condition), finite(l.Value), l.Unit, l.SetBy, l.Assumed})
	}
	return out
}

func sensorOf(v *daemon.SensorView) Sensor {
	out := Sensor{
		ID: string(v.ID), Room: string(v.Room), Position: v.Position, Topic: v.Topic,
		Silent: v.Silent, Quality: v.Flag.String(), LastReading: instant(v.LastReading),
	}
	out.Findings = []Finding{}
	for _, f := range v.Findings {
		out.Findings = append(out.Findings, findingOf(f))
	}
	if v.ExpectedInterval > 0 {
		s := v.ExpectedInterval.Seconds()
		out.Interval = &s
	}
	if v.Silent {
		return out
	}
	for i := range v.Values {
		r := &v.Values[i]
		switch r.Quantity {
		case sensors.Temperature:
			out.Temperature = scaled(&r.Value, 1)
		case sensors.RelativeHumidity:
			out.Humidity = scaled(&r.Value, 0.01)
		case sensors.Battery:
			out.Battery = scaled(&r.Value, 0.01)
		case sensors.SignalStrength:
			out.Signal = scaled(&r.Value, 1)
		}
	}
	return out
}

func cohortOf(c *daemon.CohortView) Cohort {
	out := Cohort{
		ID: string(c.ID), Species: string(c.Species), SpeciesName: c.SpeciesName, Room: string(c.Room),
		Stage: string(c.Stage), StageName: c.StageName, Individuals: c.Individuals, Progress: finite(c.StageProgress),
		ThermalTime: finite(c.ThermalTime), Estimated: finite(c.Estimated), CatchingUp: c.CatchingUp, HeatInjury: scaled(c.HeatInjury, 1),
		Assumed: c.Assumed, Source: c.Source, Start: c.Start.UTC(), Note: c.Note,
		Stages: []Share{}, Expected: []Event{}, Counts: []Count{}, Verdicts: []Verdict{}, Losses: []Loss{},
		Daily: numbersOf(c.Daily), Week: numbersOf(c.Week), Rate: finite(c.Rate), RateSD: finite(c.RateSD),
	}
	for _, v := range c.Verdicts {
		out.Verdicts = append(out.Verdicts, Verdict{int64(v.Count), v.Time.UTC(), string(v.Stage), finite(v.Expected), v.Low, v.High, finite(v.Chance), v.Conflict})
	}
	for _, l := range c.Losses {
		out.Losses = append(out.Losses, Loss{string(l.Stage), l.Cause, l.Number})
	}
	for _, s := range c.Stages {
		out.Stages = append(out.Stages, Share{string(s.Stage), finite(s.Share)})
	}
	for _, e := range c.Expected {
		out.Expected = append(out.Expected, Event{e.Event, string(e.Stage), e.Early.UTC(), e.Median.UTC(), e.Late.UTC()})
	}
	for _, n := range c.Counts {
		out.Counts = append(out.Counts, countOf(n))
	}
	return out
}

func alarmOf(a *daemon.AlarmView) Alarm {
	out := Alarm{
		Key: keyOf(a.Key), Occurrence: a.Occurrence, Priority: a.Priority.String(), State: a.State, Active: a.Active,
		Title: a.Title, Cause: a.Cause, Consequence: a.Consequence, FirstAction: a.FirstAction,
		TimeToRespond: a.TimeToRespond.Seconds(), Detail: a.Detail,
		Raised: instant(a.RaisedAt), Cleared: instant(a.ClearedAt), Acknowledged: instant(a.AcknowledgedAt),
		AcknowledgedBy: a.AcknowledgedBy, ShelvedUntil: instant(a.ShelvedUntil), ShelvedBy: a.ShelvedBy,
		ShelvedReason: a.ShelvedReason, Due: instant(a.Due), Cohorts: []string{},
	}
	// Alarms about silence or a lost link have no value against a limit.
	if a.Unit != "" {
		out.Value, out.Limit, out.Unit = scaled(&a.Value, 1), scaled(&a.Limit, 1), a.Unit
	}
	for _, c := range a.Cohorts {
		out.Cohorts = append(out.Cohorts, string(c))
	}
	if a.Under != nil {
		k := keyOf(*a.Under)
		out.Under = &k
	}
	return out
}

func numbersOf(days []rearing.DayNumbers) []Numbers {
	out := []Numbers{}
	for _, d := range days {
		out = append(out, Numbers{d.Day.UTC(), d.Event, string(d.Stage), finite(d.Expected), finite(d.Low), finite(d.High)})
	}
	return out
}

func speciesOf(s *daemon.SpeciesView) Species {
	out := Species{ID: string(s.ID), Name: s.Name, Latin: s.ScientificName, Assumed: s.Assumed, Stages: []Stage{}}
	for _, st := range s.Stages {
		out.Stages = append(out.Stages, Stage{string(st.ID), st.Name})
	}
	return out
}

func rejectedOf(r *daemon.RejectedMessage) Rejected {
	return Rejected{r.Time.UTC(), r.Topic, r.Outcome, r.Reason, r.Excerpt}
}

// each converts a list; an empty one is [] and not null.
func each[V, T any](list []V, convert func(*V) T) []T {
	out := make([]T, 0, len(list))
	for i := range list {
		out = append(out, convert(&list[i]))
	}
	return out
}
