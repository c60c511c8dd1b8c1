package conditions

import (
	"fmt"
	"math"
	"time"

	"rearguard/alerts"
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
	Evidence string `json:"evidence,omitempty"`
	// Powered is set where the humidifier is seen to hold the moisture of a
	// room that cools: it has power.
	Powered bool `json:"powered,omitempty"`
	// Range is the usual range as it was before.
	Range Range `json:"range,omitzero"`
}

// Range is the usual range of a room's air over the last day.
type Range struct {
	LowC  float64 `json:"low_c"`
	HighC float64 `json:"high_c"`
	// LowW and HighW are humidity ratios in g/kg, 0 where not known.
	LowW  float64 `json:"low_w,omitempty"`
	HighW float64 `json:"high_w,omitempty"`
	// HeldRH is the relative humidity in percent that was held in every
	// hour: the lowest hourly mean, 0 where not known.
	HeldRH float64 `json:"held_rh,omitempty"`
	// LowD is how well the room's sensors agreed in the hour in which they
	// agreed best, in °C.
	LowD float64 `json:"low_d,omitempty"`
	// HighOver is the most by which the room was warmer than outdoors in °C.
	HighOver float64 `json:"high_over,omitempty"`
	// Loss is the most that the room keeps losing of its moisture, as a share
	// in leakSpan.
	Loss float64 `json:"loss,omitempty"`
}

// The thresholds below separate the causes in a simulated room with walls,
// plants, heater, humidifier and ventilation (common practice, no published
// source); the tests print how well they do.
const (
	// usualHours is how much of a day must be known to know what is usual.
	usualHours = 20
	// outsideC and outsideShare are how far out of the usual range the air
	// must be.
	outsideC     = 0.5
	outsideShare = 0.06
	// steadyPerHour is a change of temperature in °C per hour that is none.
	steadyPerHour = 0.6
	// dryingPerHour is a relative loss of moisture per hour that is surely
	// one, steadyMoisture one that is none.
	dryingPerHour  = 0.05
	steadyMoisture = 0.06
	// outsideRH is how far, in percent, relative humidity must be below what
	// was held before for the humidifier to have stopped as well: more than
	// the band of a humidistat.
	outsideRH = 4.0
	// An opened door shows as a jump within this time.
	jumpWithin = 6 * time.Minute
	jumpC      = 0.5
	jumpShare  = 0.20
	jumpStays  = 0.75
	// jumpAge is how long the air must have stayed as the jump left it.
	jumpAge = 6 * time.Minute
	// A closed room loses moisture by its leaks alone, a room with something
	// open many times as fast: leakSpans stretches of leakSpan in a row that
	// each lose leakShare, and leakTimes what they ever lose in that room,
	// show that air is being exchanged.
	leakSpan  = 7 * time.Minute
	leakSpans = 3
	leakShare = 0.025
	leakTimes = 2.0
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
	// formingFor is how long a shape must have had to form before it is told.
	formingFor = 8 * time.Minute
	// sureAfter is how long a cause must be told without a break before it
	// is kept until the room is back in its usual range.
	sureAfter = causeDelay + 2*time.Minute
)

// usual is the range over the last day without the present and the last hour,
// in which the trouble may already show.
func (tr Trend) usual(now time.Time) (Range, bool) {
	r := Range{LowC: math.Inf(1), HighC: math.Inf(-1), LowD: math.Inf(1)}
	hours := 0
	for _, h := range tr.Hours {
		if now.Sub(h.Start) < 2*time.Hour || now.Sub(h.Start) > 25*time.Hour {
			continue
		}
		hours++
		r.LowC, r.HighC, r.LowD = min(r.LowC, h.LowC), max(r.HighC, h.HighC), min(r.LowD, h.HighD)
		r.HighOver, r.Loss = max(r.HighOver, h.HighOver), max(r.Loss, h.Loss)
		if h.LowW > 0 {
			r.HighW = max(r.HighW, h.HighW)
			r.LowW, r.HeldRH = lowest(r.LowW, h.LowW), lowest(r.HeldRH, h.MeanRH)
		}
	}
	return r, hours >= usualHours
}

// outside reports whether a sample is out of the range, widened by a share of
// the margins: 1 to begin a trouble, less to end it.
func (r Range) outside(s Sample, share float64) bool {
	return r.cold(s, share) || r.hot(s, share) || r.dry(s, share) ||
		s.W > 0 && r.HighW > 0 && s.W > r.HighW*(1+share*outsideShare)
}

func (r Range) cold(s Sample, share float64) bool { return s.C < r.LowC-share*outsideC }
func (r Range) hot(s Sample, share float64) bool  { return s.C > r.HighC+share*outsideC }
func (r Range) dry(s Sample, share float64) bool {
	return s.W > 0 && r.LowW > 0 && s.W < r.LowW*(1-share*outsideShare) ||
		s.RH > 0 && r.HeldRH > 0 && s.RH < r.HeldRH-share*outsideRH
}

// follow carries the trouble of a room on. Its cause is told once the shape
// has had time to form, and told anew until it has been the same for a while.
func (x Trouble) follow(tr *Trend, now time.Time, outdoorC *float64) Trouble {
	if len(tr.Samples) == 0 {
		return x
	}
	last := tr.now()
	if now.Sub(last.Time) > slopeWindow {
		// Without fresh air nothing is known to have changed.
		return x
	}
	if x.Cause != "" {
		if !x.Range.outside(last, 0.2) {
			return Trouble{}
		}
	} else {
		usual, known := tr.usual(now)
		if !known || !usual.outside(last, 1) {
			return Trouble{}
		}
		x = Trouble{Cause: Unclear, Since: now, Range: usual, ToldAt: now, Evidence: "the change has only begun"}
	}
	if now.Sub(x.Since) < formingFor || x.Cause != Unclear && now.Sub(x.ToldAt) >= sureAfter {
		return x
	}
	cause, evidence := recognise(*tr, x.Range, outdoorC)
	x.Powered = false
	if cause == CauseWeak {
		if now.Sub(x.Since) < slopeWindow+formingFor {
			// The slope of moisture still holds the humidifier's last cycle
			// from before; only after that does a steady one show that it runs.
			cause, evidence = Unclear, evidence+"; heater or mains"
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

// recognise tells the cause from the shape of the last minutes against the
// usual range, and from the temperature outdoors where that is known. It
// answers Unclear, with what it sees, where more than one cause would look
// like that: a failed heater and a failed mains are one and the same until the
// humidifier shows whether it still runs.
func recognise(tr Trend, usual Range, outdoorC *float64) (Cause, string) {
	t, w := tr.Temperature, tr.Moisture
	if !t.Known || len(tr.Samples) == 0 {
		return Unclear, "too few readings to see a shape"
	}
	now := tr.now()
	if now.D > usual.LowD+disagreeC {
		return Unclear, fmt.Sprintf("the sensors of the room differ by %.1f °C, one of them may be wrong", now.D)
	}
	if !w.Known || now.W == 0 {
		return Unclear, fmt.Sprintf("temperature %+.1f °C/h, and without humidity a cause cannot be told", t.PerHour)
	}
	if dC, dW, ok := tr.jump(usual); ok {
		return CauseDoor, fmt.Sprintf("temperature %+.1f °C and moisture %+.0f %% within minutes", dC, 100*dW)
	}
	evidence := fmt.Sprintf("temperature %+.1f °C/h, moisture %+.0f %%/h", t.PerHour, 100*w.PerHour)
	const half = 0.5
	hot, cold, dry := usual.hot(now, half), usual.cold(now, half), usual.dry(now, half)
	drier := usual.HeldRH > 0 && now.RH < usual.HeldRH-outsideRH
	switch {
	case hot && outdoorC != nil && *outdoorC > usual.HighC-outdoorsNear && now.Over <= usual.HighOver+overMargin:
		return Unclear, evidence + fmt.Sprintf("; it is %.1f °C outdoors, heater or weather", *outdoorC)
	case hot && w.PerHour > -steadyMoisture:
		return CauseHeater, evidence
	case dry && drier && !hot && tr.airing(usual):
		return CauseDoor, evidence + ", faster than a closed room can dry"
	case cold && dry && drier:
		return CausePower, evidence + fmt.Sprintf(", humidity %.0f %% is below the %.0f %% held before", now.RH, usual.HeldRH)
	case cold && powered(tr, usual, now):
		return CauseWeak, evidence
	case cold:
		return CauseWeak, evidence + "; the power may be gone as well"
	case dry && !hot && math.Abs(t.PerHour) <= steadyPerHour && w.High < -dryingPerHour:
		return CauseHumidifier, evidence
	}
	return Unclear, evidence
}

// powered reports whether moisture stays in a room that cools, as only a
// humidifier that runs can hold it.
func powered(tr Trend, usual Range, now Sample) bool {
	drier := usual.HeldRH > 0 && now.RH < usual.HeldRH-outsideRH
	return tr.Moisture.PerHour > -steadyMoisture/2 && !drier
}

// jump finds a sudden change of temperature and moisture together, in the
// same direction as outside air brings it, that has not gone back since: a
// visit of a minute jumps as well, and recovers.
func (tr Trend) jump(usual Range) (dC, dW float64, found bool) {
	last := tr.Samples[len(tr.Samples)-1]
	for i, a := range tr.Samples {
		if a.W <= 0 || last.W <= 0 || usual.outside(a, 0.5) {
			continue
		}
		stayC, stayW := last.C-a.C, math.Log(last.W/a.W)
		for _, b := range tr.Samples[i+1:] {
			if b.Time.Sub(a.Time) > jumpWithin {
				break
			}
			if b.W <= 0 {
				continue
			}
			c, w := b.C-a.C, math.Log(b.W/a.W)
			if last.Time.Sub(b.Time) < jumpAge {
				break
			}
			sudden := math.Abs(c) >= jumpC && math.Abs(w) >= jumpShare && math.Signbit(c) == math.Signbit(w)
			stays := stayC/c > jumpStays && stayW/w > jumpStays
			if sudden && stays && math.Abs(c) > math.Abs(dC) {
				dC, dW, found = c, w, true
			}
		}
	}
	return dC, dW, found
}

// airing reports whether moisture was lost in one go faster than this room
// ever loses it when it is shut.
func (tr Trend) airing(usual Range) bool {
	for end := range tr.Samples {
		if tr.sustainedLoss(end) >= max(leakShare, leakTimes*usual.Loss) {
			return true
		}
	}
	return false
}

// sustainedLoss is the least share of moisture lost in each of leakSpans
// stretches in a row that end with a sample, 0 where that is not known. A
// visitor at the door takes more, but in one stretch or two.
func (tr Trend) sustainedLoss(end int) float64 {
	least := math.Inf(1)
	for range leakSpans {
		from := tr.before(end, leakSpan)
		if from < 0 || tr.Samples[from].W <= 0 || tr.Samples[end].W <= 0 {
			return 0
		}
		least = min(least, math.Log(tr.Samples[from].W/tr.Samples[end].W))
		end = from
	}
	return max(0, least)
}

// before is the sample that lies a span before another, -1 if there is none
// near it.
func (tr Trend) before(end int, span time.Duration) int {
	for j := end - 1; j >= 0; j-- {
		if d := tr.Samples[end].Time.Sub(tr.Samples[j].Time); d >= span {
			if d > span+span/2 {
				return -1
			}
			return j
		}
	}
	return -1
}

// causeConditions are in the order in which they are observed.
var causeConditions = [...]alerts.Condition{HumidifierExhausted, HeaterStuckOn, HeatingWeak, DoorOpen, PowerLost}

// causes gives one finding for each cause.
func (e evaluation) causes(out []alerts.Observation, memory *RoomMemory, tr *Trend) []alerts.Observation {
	x := &memory.Trouble
	_, known := tr.usual(e.in.Now)
	for _, c := range causeConditions {
		o := e.found(c, "")
		switch {
		case e.in.Limits.empty():
			memory.dismiss(c)
			o.Truth, o.Detail = alerts.False, emptyRoom
			out = append(out, o)
			continue
		case e.in.Blind || len(tr.Samples) == 0:
			// Unknown.
		case x.Cause == Cause(c):
			o.Truth, o.Detail = alerts.True, x.Evidence+", since "+e.clock(x.Since)
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
			o.Detail += "; " + e.rules.title[alerts.Condition(x.Cause)] + ": " + x.Evidence
		}
	case x.Cause == Unclear && o.Truth == alerts.True && o.Detail != "":
		o.Detail += "; cause cannot be told: " + x.Evidence
	}
	return o
}
