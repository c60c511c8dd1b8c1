package conditions

import (
	"maps"
	"math"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/harm"
	"rearguard/alerts/wording"
)

// HeatCohort is one cohort of a room with the thermal-death-time line of the
// stage it is in. A line that is not valid is left out of the judgement.
type HeatCohort struct {
	// ID is the key under which the injury is remembered. The engine takes
	// the injury of a cohort that moves from the memory of the one room to
	// that of the other.
	ID string
	// Stage is the name of the stage whose line it is, for example "pupa".
	Stage string
	Line  harm.Line
	// Assumed is set when the line has no published source.
	Assumed bool
}

// Injury is how much heat injury a cohort has gathered. It only grows.
type Injury struct {
	// Share is the part of the lethal dose, 1 is lethal.
	Share float64 `json:"share"`
	// At and TemperatureC are the time and the temperature up to which it
	// has been counted.
	At           time.Time `json:"at"`
	TemperatureC float64   `json:"temperature_c"`
}

const (
	// injuryShare is the share of the lethal dose from which more of it is
	// an alarm; injuryWarnMinutes is the time left that is an alarm by
	// itself, however little has been gathered.
	injuryShare       = 0.05
	injuryWarnMinutes = 120.0
	// injuryGap is the longest stretch without data that is bridged by a
	// straight line; over a longer one no injury is counted.
	injuryGap = 30 * time.Minute
	// injuryMost keeps the injury a number, whatever a sensor says.
	injuryMost = 1000
)

// count adds the injury since the last count.
func (x Injury) count(line harm.Line, now time.Time, temperatureC float64) Injury {
	if span := now.Sub(x.At); !x.At.IsZero() && span > 0 && span <= injuryGap {
		if more, err := line.Ramp(x.TemperatureC, temperatureC, span); err == nil && more >= 0 {
			x.Share = min(x.Share+more, injuryMost)
		}
	}
	if now.After(x.At) {
		x.At, x.TemperatureC = now, temperatureC
	}
	return x
}

// injury judges the cohort with the least time left. The warmest sensor
// counts, since some animals are there.
func (e evaluation) injury(tr *trend.Trend, memory *RoomMemory) alerts.Observation {
	o := e.found(HeatInjury, "")
	o.Limit = 100 * injuryShare
	if len(e.in.Cohorts) == 0 {
		memory.dismiss(HeatInjury)
		memory.Injuries = nil
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		return o
	}
	if !e.in.Blind && e.in.Warmest != nil {
		o.Truth = e.injures(e.in.Warmest.Value)
	}
	o = e.rest(o, memory, testimony{"°C", temperatureOf, func(_ *SensorState, c float64) alerts.Truth { return e.injures(c) }, true})
	known := o.Truth != alerts.Unknown
	next := make(map[string]Injury, len(e.in.Cohorts))
	var worst *HeatCohort
	least := math.Inf(1)
	for _, c := range e.in.Cohorts {
		x := memory.Injuries[c.ID]
		if known && c.Line.Validate() == nil {
			x = x.count(c.Line, e.in.Now, e.in.Warmest.Value)
			left := e.minutesLeft(c.Line, x, tr)
			if worst == nil || left < least || left == least && x.Share > next[worst.ID].Share {
				worst, least = &c, left
			}
		}
		if !x.At.IsZero() || x.Share > 0 {
			next[c.ID] = x
		}
	}
	memory.Injuries = next
	switch {
	case !known:
		e.sayUncountedInjury(&o, next)
	case worst == nil:
		o.Truth, o.Detail = alerts.Unknown, wording.Say("no thermal-death-time line is known for the cohorts in the room")
	default:
		e.sayInjury(&o, *worst, next[worst.ID], least)
	}
	return o
}

// injures reports whether a temperature injures any cohort of the room.
func (e evaluation) injures(c float64) alerts.Truth {
	if math.IsNaN(c) || math.IsInf(c, 0) {
		return alerts.Unknown
	}
	truth := alerts.False
	for i := range e.in.Cohorts {
		switch line := &e.in.Cohorts[i].Line; {
		case line.Validate() != nil:
		case line.PerMinute(c) > 0:
			return alerts.True
		case c >= line.BoundaryC-e.rules.deadband[HeatInjury]:
			truth = alerts.Between
		}
	}
	return truth
}

// sayUncountedInjury says of the cohort with the greatest injury that nothing
// is counted.
func (e evaluation) sayUncountedInjury(o *alerts.Observation, memory map[string]Injury) {
	var most *HeatCohort
	for i := range e.in.Cohorts {
		c := &e.in.Cohorts[i]
		if x := memory[c.ID]; x.Share > 0 && !x.At.IsZero() && (most == nil || x.Share > memory[most.ID].Share) {
			most = c
		}
	}
	if most != nil {
		x := memory[most.ID]
		e.sayUncounted(o, x.At, wording.Say("%s of the lethal heat dose so far, cohort %s in %s",
			wording.Value(100*x.Share, 0, "%"), wording.Name(most.ID), wording.Word(most.Stage)))
	}
}

// minutesLeft follows the present trend of the room, if it is upwards: to
// reckon with cooling that may not last would be hope.
func (e evaluation) minutesLeft(line harm.Line, x Injury, tr *trend.Trend) float64 {
	perMinute := 0.0
	if tr.Temperature.Known && tr.Temperature.Low > 0 && e.in.Warmest.Value >= line.BoundaryC {
		perMinute = tr.Temperature.PerHour / 60
	}
	return line.MinutesLeft(x.Share, e.in.Warmest.Value, perMinute)
}

func (e evaluation) sayInjury(o *alerts.Observation, c HeatCohort, x Injury, left float64) {
	o.Value = 100 * x.Share
	rate := c.Line.PerMinute(e.in.Warmest.Value)
	switch {
	case rate > 0 && (x.Share >= injuryShare || left <= injuryWarnMinutes):
		o.Truth = alerts.True
	case rate > 0 || e.in.Warmest.Value >= c.Line.BoundaryC-e.rules.deadband[HeatInjury]:
		o.Truth = alerts.Between
	default:
		o.Truth = alerts.False
		return
	}
	o.Detail = wording.Say("%s of the lethal heat dose, cohort %s in %s at %s, %s",
		wording.Value(o.Value, 0, "%"), wording.Name(c.ID), wording.Word(c.Stage), wording.Value(e.in.Warmest.Value, 1, "°C"), e.in.Warmest.where())
	if rate > 0 {
		o.Detail = o.Detail.And("; %s", wording.Of(timeLeft(left)))
		if left < (365 * 24 * time.Hour).Minutes() {
			o.Due = e.in.Now.Add(durationOfMinutes(left))
		}
	}
	if c.Assumed {
		o.Detail = o.Detail.And("; heat tolerance assumed")
	}
}

func timeLeft(minutes float64) wording.Text {
	switch {
	case minutes <= 0:
		return wording.Say("lethal dose reached")
	case minutes < 120:
		return wording.Say("about %s to lethal injury", wording.Value(minutes, 0, "min"))
	case minutes < 48*60:
		return wording.Say("about %s to lethal injury", wording.Value(minutes/60, 0, "h"))
	}
	return wording.Say("days to lethal injury at this temperature")
}

// Cohorts returns the ids of the remembered injuries in order.
func (m RoomMemory) Cohorts() []string {
	ids := make([]string, 0, len(m.Injuries))
	for id := range m.Injuries {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// MoveInjury takes a cohort's heat injury from a room's memory to that of
// another room, and returns both as they are then.
func (m RoomMemory) MoveInjury(to RoomMemory, cohort string) (from, next RoomMemory) {
	injury, ok := m.Injuries[cohort]
	if !ok {
		return m, to
	}
	// Memories share their maps with older ones: copies, never changes.
	m.Injuries = maps.Clone(m.Injuries)
	delete(m.Injuries, cohort)
	moved := maps.Clone(to.Injuries)
	if moved == nil {
		moved = make(map[string]Injury, 1)
	}
	// What it breathed on the way is not known, so nothing is counted for it.
	injury.At = time.Time{}
	moved[cohort] = injury
	to.Injuries = moved
	return m, to
}

// InjuryShare is the share of the lethal heat dose that a cohort has gathered,
// nil while none is counted.
func (m RoomMemory) InjuryShare(cohort string) *float64 {
	if injury, counted := m.Injuries[cohort]; counted {
		return &injury.Share
	}
	return nil
}
