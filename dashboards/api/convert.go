package api

import (
	"math"
	"time"

	"rearguard/daemon/limits"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
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

func roomOf(r *snapshot.Room) Room {
	out := Room{
		ID: string(r.ID), Name: r.Name, Blind: r.Blind, Updated: instant(r.Updated),
		UsableSensors: r.UsableSensors, TotalSensors: r.TotalSensors,
		Limits: each(r.Limits, func(l *limits.View) Limit {
			return Limit{string(l.Condition), finite(l.Value), l.Unit, l.SetBy, l.Assumed}
		}),
		Bending: each(r.Bending, func(b *snapshot.BendingError) BendingError {
			return BendingError{string(b.Species), string(b.Stage), b.Days, finite(b.Relative)}
		}),
	}
	if e := r.Expected; e != nil {
		out.Expected = &ExpectedAir{string(e.From), e.Days, finite(e.Doubt.DayMeanSDC), finite(e.Doubt.Persistence)}
	}
	if !r.Blind {
		out.Temperature, out.Coldest, out.Warmest = scaled(r.Temperature, 1), scaled(r.Coldest, 1), scaled(r.Warmest, 1)
		out.Humidity, out.Driest, out.Dampest = scaled(r.Humidity, 0.01), scaled(r.Driest, 0.01), scaled(r.Dampest, 0.01)
		out.VPD, out.DewPoint = scaled(r.VPDkPa, 1000), scaled(r.DewPointC, 1)
	}
	return out
}

func sensorOf(v *desk.View) Sensor {
	out := Sensor{
		ID: string(v.ID), Room: string(v.Room), Position: v.Position, Topic: v.Topic,
		Silent: v.Silent, Quality: v.Flag.String(), LastReading: instant(v.LastReading),
		Findings: each(v.Findings, findingOf),
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

func cohortOf(c *snapshot.Cohort) Cohort {
	return Cohort{
		CohortState: CohortState{
			ID: string(c.ID), Species: string(c.Species), SpeciesName: c.SpeciesName, Room: string(c.Room),
			Stage: string(c.Stage), StageName: c.StageName, Individuals: c.Individuals, Progress: finite(c.StageProgress),
			ThermalTime: finite(c.ThermalTime), Estimated: finite(c.Estimated), CatchingUp: c.CatchingUp, HeatInjury: scaled(c.HeatInjury, 1),
			Assumed: c.Assumed, Source: c.Source, Start: c.Start.UTC(), Note: c.Note,
		},
		Stages: each(c.Stages, func(s *snapshot.StageShare) Share { return Share{string(s.Stage), finite(s.Share)} }),
		Expected: each(c.Expected, func(e *snapshot.ExpectedEvent) Event {
			return Event{string(e.Event), string(e.Stage), e.Early.UTC(), e.Median.UTC(), e.Late.UTC()}
		}),
		Counts: each(c.Counts, countOf),
		Verdicts: each(c.Verdicts, func(v *population.Verdict) Verdict {
			return Verdict{int64(v.Count), v.Time.UTC(), string(v.Stage), finite(v.Expected), v.Low, v.High, finite(v.Chance), v.Conflict}
		}),
		Losses: each(c.Losses, func(l *population.LossSum) Loss { return Loss{string(l.Stage), l.Cause, l.Number} }),
		Daily:  each(c.Daily, numbersOf), Week: each(c.Week, numbersOf), Rate: finite(c.Rate), RateSD: finite(c.RateSD),
	}
}

func alarmOf(a *snapshot.Alarm) Alarm {
	out := Alarm{
		AlarmMeaning: AlarmMeaning{
			Key: keyOf(a.Key), Occurrence: a.Occurrence, Priority: a.Priority.String(), State: a.State.String(), Active: a.Active,
			Title: a.Title, Cause: a.Cause, Consequence: a.Consequence, FirstAction: a.FirstAction,
			TimeToRespond: a.TimeToRespond.Seconds(), Detail: a.Detail,
		},
		Raised: instant(a.RaisedAt), Cleared: instant(a.ClearedAt), Acknowledged: instant(a.AcknowledgedAt),
		AcknowledgedBy: a.AcknowledgedBy, Going: a.Going, ShelvedUntil: instant(a.ShelvedUntil), ShelvedBy: a.ShelvedBy,
		ShelvedReason: a.ShelvedReason, Due: instant(a.Due), UnknownSince: instant(a.UnknownSince), Missing: a.Want,
		Cohorts: each(a.Cohorts, func(id *population.CohortID) string { return string(*id) }),
	}
	// Alarms about silence or a lost link have no value against a limit.
	if a.Unit != "" {
		out.Value, out.Limit, out.Unit = scaled(&a.Value, 1), scaled(&a.Limit, 1), a.Unit
	}
	if a.Under != nil {
		k := keyOf(*a.Under)
		out.Under = &k
	}
	return out
}

func incidentOf(i *snapshot.Incident) Incident {
	out := Incident{
		Number: i.Number, Room: string(i.Room), Title: i.Title, Began: i.BeganAt.UTC(), Ended: instant(i.EndedAt),
		Calls: i.Calls, TakenBy: i.TakenBy, Taken: instant(i.TakenAt), Going: i.Going, Steps: i.Steps, Members: []Member{},
	}
	out.answer(i)
	if out.Steps == nil {
		out.Steps = []string{}
	}
	for k := range i.Members {
		m := &i.Members[k]
		one := Member{
			Key: keyOf(m.Key), Occurrence: m.Occurrence, Priority: m.Priority.String(), Title: i.Titles[k],
			Raised: m.RaisedAt.UTC(), Cleared: instant(m.ClearedAt),
		}
		if m.Peak.Unit != "" {
			one.Value, one.Limit, one.Unit, one.ValueAt = scaled(&m.Peak.Value, 1), scaled(&m.Peak.Limit, 1), m.Peak.Unit, instant(m.Peak.At)
		}
		if m.Dose > 0 {
			one.Dose = scaled(&m.Dose, 1)
		}
		out.Members = append(out.Members, one)
	}
	return out
}

// answer says who was called, and what came of it.
func (out *Incident) answer(i *snapshot.Incident) {
	out.Called, out.Waiting = []Called{}, instant(i.WaitingSince)
	for k, c := range i.Called {
		out.Called = append(out.Called, Called{c.Person, i.Names[k], c.At.UTC(), c.LastAt.UTC()})
	}
	if len(i.Next) > 0 {
		out.Next = &NextCall{i.Next, i.NextAt.UTC()}
	}
	if v := i.Vain; v != nil {
		out.InVain = &InVain{By: v.By, Since: v.At.UTC(), Going: v.Going, Unit: v.Unit}
		if v.Unit != "" {
			out.InVain.Then, out.InVain.Now = scaled(&v.Then, 1), scaled(&v.Now, 1)
		}
	}
}

func countOf(c *population.Count) Count {
	return Count{
		ID: int64(c.ID), Time: c.Time.UTC(), Stage: string(c.Stage), Seen: c.Seen, Of: c.Of,
		Lost: c.Lost, Cause: c.Cause, Beyond: c.OrBeyond, Length: c.LengthMM, By: c.By, Note: c.Note, Undone: c.Undone,
	}
}

func numbersOf(d *forecast.DayNumbers) Numbers {
	return Numbers{d.Day.UTC(), string(d.Event), string(d.Stage), finite(d.Expected), finite(d.Low), finite(d.High)}
}

func speciesOf(s *snapshot.Species) Species {
	return Species{
		ID: string(s.ID), Name: s.Name, Latin: s.ScientificName, Assumed: s.Assumed,
		Stages: each(s.Stages, func(st *snapshot.StageName) Stage { return Stage{string(st.ID), st.Name} }),
	}
}

func rejectedOf(r *desk.Rejected) Rejected {
	return Rejected{r.Time.UTC(), r.Topic, string(r.Outcome), r.Reason, r.Excerpt}
}

// each converts a list; an empty one is [] and not null.
func each[V, T any](list []V, convert func(*V) T) []T {
	out := make([]T, 0, len(list))
	for i := range list {
		out = append(out, convert(&list[i]))
	}
	return out
}
