package conditions

import (
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/wording"
)

// Cause is what seems to be wrong with a room, told from the shape of its
// temperature and moisture together. The zero value is that nothing is wrong.
type Cause string

// The causes that have a shape of their own. Each but Unclear is a condition.
const (
	CauseHumidifier Cause = Cause(HumidifierExhausted)
	CauseHeater     Cause = Cause(HeaterStuckOn)
	CauseWeak       Cause = Cause(HeatingWeak)
	CauseDoor       Cause = Cause(DoorOpen)
	CausePower      Cause = Cause(PowerLost)
	// Unclear means that the room is out of its usual range, and the shape
	// fits none of the causes, or more than one.
	Unclear Cause = "unclear"
)

// Trouble remembers that a room left its usual range.
type Trouble struct {
	Cause Cause     `json:"cause,omitempty"`
	Since time.Time `json:"since,omitzero"`
	// ToldAt is when Cause was first told without a break.
	ToldAt time.Time `json:"told_at,omitzero"`
	// Evidence is the shape in words.
	Evidence wording.Text `json:"evidence,omitzero"`
	// Powered is set where the humidifier is seen to hold the moisture of a
	// room that cools: it has power.
	Powered bool `json:"powered,omitempty"`
	// Range is the usual range as it was before.
	Range trend.Range `json:"range,omitzero"`
}

// The thresholds below separate the causes in a simulated room with walls,
// plants, heater, humidifier and ventilation (common practice, no published
// source); the tests print how well they do.
const (
	// steadyPerHour is a change of temperature in °C per hour that is none.
	steadyPerHour = 0.6
	// dryingPerHour is a relative loss of moisture per hour that is surely
	// one, steadyMoisture one that is none.
	dryingPerHour  = 0.05
	steadyMoisture = 0.06
	// outdoorsNear is how close to the room's usual high the air outside may
	// be before warmth can as well be the weather's.
	// overMargin is by how much more than ever the room must be warmer than
	// outdoors for the warmth to be the room's own nevertheless.
	outdoorsNear = 5.0
	overMargin   = 1.0
	// disagreeC is how much more than usual sensors may differ before the
	// centre of the air shows a sensor and not the air, faultyC before that is
	// an alarm of its own.
	disagreeC = 1.0
	faultyC   = 2.0
	// returned is the share of the margins of the usual range within which the
	// air has come back to it.
	returned = 0.2
	// formingFor is how long a shape must have had to form before it is told.
	formingFor = 8 * time.Minute
	// sureAfter is how long a cause must be told without a break before it
	// is kept until the room is back in its usual range.
	sureAfter = causeDelay + 2*time.Minute
)

// begun is a trouble of which nothing is known yet but that a room has left its
// usual range.
func begun(now time.Time, usual trend.Range) Trouble {
	return Trouble{Cause: Unclear, Since: now, Range: usual, ToldAt: now, Evidence: wording.Say("the change has only begun")}
}

// follow carries the trouble of a room on. Its cause is told once the shape
// has had time to form, and told anew until it has been the same for a while.
func (x Trouble) follow(tr *trend.Trend, now time.Time, outdoorC *float64) Trouble {
	if len(tr.Samples) == 0 {
		return x
	}
	last := tr.Now()
	if now.Sub(last.Time) > trend.SlopeWindow {
		// Without fresh air nothing is known to have changed.
		return x
	}
	switch {
	case x.Cause != "" && !x.Range.Outside(last, returned):
		return Trouble{}
	case x.Cause != "" && !x.shows(tr, last):
		// What it was is over, and something else keeps the room out of its
		// usual range: a door that was opened against the heat.
		x = begun(now, x.Range)
	case x.Cause != "":
	default:
		usual, known := tr.Usual(now)
		if !known || !usual.Outside(last, 1) {
			return Trouble{}
		}
		x = begun(now, usual)
	}
	if now.Sub(x.Since) < formingFor || x.Cause != Unclear && now.Sub(x.ToldAt) >= sureAfter {
		return x
	}
	cause, evidence := recognise(*tr, x.Range, outdoorC)
	x.Powered = false
	if cause == CauseWeak {
		if now.Sub(x.Since) < trend.SlopeWindow+formingFor {
			// The slope of moisture still holds the humidifier's last cycle
			// from before; only after that does a steady one show that it runs.
			cause, evidence = Unclear, evidence.And("; heater or mains")
		} else {
			x.Powered = powered(*tr, x.Range, last)
		}
	}
	if cause != x.Cause {
		x.Cause, x.ToldAt = cause, now
	}
	x.Evidence = evidence
	return x
}

// shows reports whether the air still is out of its usual range in the way in
// which the cause brings it there. A room that warms again is heated; one that
// becomes humid again goes on doing harm until it is, and that has its cause.
func (x Trouble) shows(tr *trend.Trend, now trend.Sample) bool {
	cold, dry := x.Range.Cold(now, returned), x.Range.Dry(now, returned)
	switch x.Cause {
	case CauseHeater:
		return x.Range.Hot(now, returned) && !recovering(tr, x.Range, now)
	case CauseWeak:
		return cold && !recovering(tr, x.Range, now)
	case CausePower:
		return (cold || dry) && !recovering(tr, x.Range, now)
	case CauseHumidifier:
		return dry
	}
	return true
}

// recovering reports whether the air surely goes back to its usual range, as it
// does once what drove it out has been put right.
func recovering(tr *trend.Trend, usual trend.Range, now trend.Sample) bool {
	t, w := tr.Temperature, tr.Moisture
	switch {
	case usual.Hot(now, returned):
		return t.Known && t.High < -steadyPerHour
	case usual.Cold(now, returned):
		return t.Known && t.Low > steadyPerHour
	}
	return usual.Dry(now, returned) && w.Known && w.Low > steadyMoisture
}

// recognise tells the cause from the shape of the last minutes against the
// usual range, and from the temperature outdoors where that is known. It
// answers Unclear, with what it sees, where more than one cause would look
// like that: a failed heater and a failed mains are one and the same until the
// humidifier shows whether it still runs.
func recognise(tr trend.Trend, usual trend.Range, outdoorC *float64) (Cause, wording.Text) {
	t, w := tr.Temperature, tr.Moisture
	if !t.Known || len(tr.Samples) == 0 {
		return Unclear, wording.Say("too few readings to see a shape")
	}
	now := tr.Now()
	if now.D > usual.LowD+disagreeC {
		return Unclear, wording.Say("the sensors of the room differ by %s, one of them may be wrong", wording.Difference(now.D, 1))
	}
	if !w.Known || now.W == 0 {
		return Unclear, wording.Say("temperature %s, and without humidity a cause cannot be told", wording.Change(t.PerHour, 1, "°C/h"))
	}
	evidence := wording.Say("temperature %s, moisture %s", wording.Change(t.PerHour, 1, "°C/h"), wording.Change(100*w.PerHour, 0, "%/h"))
	if recovering(&tr, usual, now) {
		return Unclear, evidence.And(", on its way back")
	}
	if dC, dW, ok := tr.Jump(usual); ok {
		return CauseDoor, wording.Say("temperature %s and moisture %s within minutes", wording.Change(dC, 1, "°C"), wording.Change(100*dW, 0, "%"))
	}
	const half = 0.5
	hot, cold, dry := usual.Hot(now, half), usual.Cold(now, half), usual.Dry(now, half)
	drier := usual.Drier(now)
	switch {
	case hot && outdoorC != nil && *outdoorC > usual.HighC-outdoorsNear && now.Over <= usual.HighOver+overMargin:
		return Unclear, evidence.And("; it is %s outdoors, heater or weather", wording.Value(*outdoorC, 1, "°C"))
	case hot && w.PerHour > -steadyMoisture:
		return CauseHeater, evidence
	case dry && drier && !hot && tr.Airing(usual):
		return CauseDoor, evidence.And(", faster than a closed room can dry")
	case cold && dry && drier:
		return CausePower, evidence.And(", humidity %s is below the %s held before", wording.Value(now.RH, 0, "%"), wording.Value(usual.HeldRH, 0, "%"))
	case cold && powered(tr, usual, now):
		return CauseWeak, evidence
	case cold:
		return CauseWeak, evidence.And("; the power may be gone as well")
	case dry && !hot && math.Abs(t.PerHour) <= steadyPerHour && w.High < -dryingPerHour:
		return CauseHumidifier, evidence
	case drier && !hot && math.Abs(t.PerHour) <= steadyPerHour && w.Low > -2*steadyMoisture && w.Low <= 0 && w.High < steadyMoisture && tr.Drier(usual, trend.SlopeWindow):
		// Plants, or air from outdoors, may hold a room at less than the
		// humidifier did; after a visitor it surely becomes more humid again.
		return CauseHumidifier, evidence.And(", humidity %s is below the %s held before", wording.Value(now.RH, 0, "%"), wording.Value(usual.HeldRH, 0, "%"))
	}
	return Unclear, evidence
}

// powered reports whether moisture stays in a room that cools, as only a
// humidifier that runs can hold it.
func powered(tr trend.Trend, usual trend.Range, now trend.Sample) bool {
	return tr.Moisture.PerHour > -steadyMoisture/2 && !usual.Drier(now)
}

// causeConditions are in the order in which they are observed.
var causeConditions = [...]alerts.Condition{HumidifierExhausted, HeaterStuckOn, HeatingWeak, DoorOpen, PowerLost}

// causes gives one finding for each cause.
func (e evaluation) causes(out []alerts.Observation, memory *RoomMemory, tr *trend.Trend) []alerts.Observation {
	x := &memory.Trouble
	_, known := tr.Usual(e.in.Now)
	for _, c := range causeConditions {
		o := e.found(c, "")
		switch {
		case e.in.Limits.empty():
			memory.dismiss(c)
			o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
			out = append(out, o)
			continue
		case e.in.Blind || len(tr.Samples) == 0:
			// Unknown.
		case x.Cause == Cause(c):
			o.Truth, o.Detail = alerts.True, x.Evidence.And(", since %s", e.clock(x.Since))
			o.Root = e.harmOf(x.Cause)
		case x.Cause != "" || known:
			o.Truth = alerts.False
		}
		out = append(out, e.rest(o, memory, shown(&o, e.showing(Cause(c))...)))
	}
	return out
}

// showing are the sensors that show a cause most.
func (e evaluation) showing(cause Cause) []*Point {
	switch cause {
	case CauseHeater:
		return []*Point{e.in.Warmest}
	case CauseHumidifier:
		return []*Point{e.in.Driest}
	}
	return []*Point{e.in.Coldest, e.in.Driest}
}

// explains says which causes account for which harm.
func explains(cause Cause, harm alerts.Condition) bool {
	switch harm {
	case Heat, HeatApproaching:
		return cause == CauseHeater
	case Chill, ChillApproaching:
		return cause == CauseWeak || cause == CausePower || cause == CauseDoor
	case Drying:
		return cause == CauseHumidifier || cause == CausePower || cause == CauseDoor || cause == CauseHeater
	case FastChange:
		return cause != Unclear
	}
	return false
}

// harmOf names the harm that a cause leads to as its root. Whichever of the
// two calls first holds the other: one trouble, one call.
func (e evaluation) harmOf(cause Cause) *alerts.Key {
	for _, harm := range [...]alerts.Condition{Heat, Chill, Drying} {
		if explains(cause, harm) && cause != CausePower {
			return &alerts.Key{Condition: harm, Room: e.in.Room}
		}
	}
	return nil
}

// explain adds the cause to a harm that is found true: as its root where the
// cause accounts for it, and in words in any case.
func (e evaluation) explain(o alerts.Observation, x *Trouble) alerts.Observation {
	if o.Truth != alerts.True && o.Truth != alerts.Between || x.Cause == "" {
		return o
	}
	switch {
	case explains(x.Cause, o.Key.Condition):
		o.Root = &alerts.Key{Condition: alerts.Condition(x.Cause), Room: e.in.Room}
		if o.Truth == alerts.True {
			o.Detail = o.Detail.And("; %s: %s", wording.Word(e.rules.title[alerts.Condition(x.Cause)]), wording.Of(x.Evidence))
		}
	case x.Cause == Unclear && o.Truth == alerts.True && !o.Detail.IsZero():
		o.Detail = o.Detail.And("; cause cannot be told: %s", wording.Of(x.Evidence))
	}
	return o
}
