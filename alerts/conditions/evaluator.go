package conditions

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/wording"
)

// Evaluator judges rooms by definitions as they are in force, with the
// configuration's deadbands in them. It is built once and holds no state.
type Evaluator struct {
	deadband map[alerts.Condition]float64
	title    map[alerts.Condition]string
}

// NewEvaluator returns the evaluator for some definitions.
func NewEvaluator(definitions []alerts.Definition) *Evaluator {
	v := &Evaluator{
		deadband: make(map[alerts.Condition]float64, len(definitions)),
		title:    make(map[alerts.Condition]string, len(definitions)),
	}
	for _, d := range definitions {
		v.deadband[d.Condition], v.title[d.Condition] = d.Deadband, d.Title
	}
	return v
}

// Room returns one finding for every condition of the room and of its
// sensors, and the memory for the next call. A condition without a limit is
// found false, so that an alarm left from before the room was emptied ends.
func (v *Evaluator) Room(in *RoomState, memory RoomMemory) ([]alerts.Observation, RoomMemory) {
	e := evaluation{in, v}
	memory.Trend = memory.Trend.Add(in.air())
	tr := &memory.Trend
	if in.Limits.empty() {
		memory.Trouble = Trouble{}
	} else {
		memory.Trouble = memory.Trouble.follow(tr, in.Now, in.OutdoorC)
	}
	// Causes come before what they explain, so that they are its root from
	// the beginning.
	out := make([]alerts.Observation, 0, len(causeConditions)+13+2*len(in.Sensors))
	out = e.causes(out, &memory, tr)
	add := func(o alerts.Observation) { out = append(out, e.explain(o, &memory.Trouble)) }
	add(e.level(Heat, in.Limits.Heat, in.Warmest, alerts.Above, &memory))
	add(e.level(Chill, in.Limits.Chill, in.Coldest, alerts.Below, &memory))
	add(e.drying(&memory))
	add(e.damp(&memory))
	add(e.mould(&memory))
	add(e.injury(tr, &memory))
	add(e.approach(HeatApproaching, in.Limits.Heat, in.Warmest, tr, 1, &memory))
	add(e.approach(ChillApproaching, in.Limits.Chill, in.Coldest, tr, -1, &memory))
	add(e.swing(tr))
	add(e.fast(tr, &memory))
	add(e.condensation(&memory))
	out = append(out, e.disagree(tr, &memory))
	if in.Blind {
		e.sayBlindness(out)
	}
	out = append(out, e.blind())
	for i := range in.Sensors {
		silent := e.silent(in.Sensors[i])
		out = append(out, silent, e.fault(&in.Sensors[i], silent.Truth))
	}
	return out, memory
}

// Level is a finding of one extreme against its limit, for the moment between
// two full evaluations at which a reading crosses it. Where the memory says
// that the finding rests on a sensor, the state must hold all sensors.
func (v *Evaluator) Level(c alerts.Condition, in *RoomState, memory *RoomMemory) alerts.Observation {
	e := evaluation{in, v}
	if c == Chill {
		return e.explain(e.level(c, in.Limits.Chill, in.Coldest, alerts.Below, memory), &memory.Trouble)
	}
	return e.explain(e.level(c, in.Limits.Heat, in.Warmest, alerts.Above, memory), &memory.Trouble)
}

// sayBlindness gives the reason to what is not known of a blind room.
func (e evaluation) sayBlindness(out []alerts.Observation) {
	why := e.blindness()
	for i := range out {
		switch o := &out[i]; {
		case o.Truth != alerts.Unknown:
		case o.Detail.IsZero():
			o.Detail = why
		case o.Detail.Begins(notCounted):
			o.Detail = why.And("; %s", wording.Of(o.Detail))
		}
	}
}

// SilentAfter is how long a sensor with a reporting interval may be silent
// before that is a finding.
func SilentAfter(interval time.Duration) time.Duration {
	return max(SilentIntervals*interval, silentFloor)
}

// air is the air of the room of which its trend is made; nothing is known of
// that of a blind room.
func (in *RoomState) air() *trend.Air {
	now := trend.Air{Time: in.Now, HumidityPercent: in.HumidityPercent, OutdoorC: in.OutdoorC, PressurePa: in.PressurePa}
	if !in.Blind {
		now.TemperatureC = in.TemperatureC
	}
	if in.Warmest != nil && in.Coldest != nil {
		now.SpreadC = in.Warmest.Value - in.Coldest.Value
	}
	return &now
}
