package conditions

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/wording"
	"rearguard/sensors"
)

// Point is one extreme of a room's air, and which usable sensor gave it.
type Point struct {
	Value    float64
	Sensor   sensors.SensorID
	Position string
}

func (p Point) where() wording.Arg {
	if p.Position == "" {
		return wording.Name(p.Sensor)
	}
	return wording.Name(p.Position + " (" + string(p.Sensor) + ")")
}

// Limit is one limit in force in a room, and who set it.
type Limit struct {
	Value float64
	// SetBy is the cohort, room override or facility default with the
	// strictest value, for example "cohort atlas-3 in pupa".
	SetBy string
	// Assumed is set when the value has no published source.
	Assumed bool
}

// by is what is said of a value beyond the limit, with who set that.
func (l Limit) by(said wording.Text) wording.Text {
	switch {
	case l.SetBy == "":
		return said
	case l.Assumed:
		return said.And("; limit set by %s (assumed)", reported(l.SetBy))
	}
	return said.And("; limit set by %s", reported(l.SetBy))
}

// DoseLimit is a limit that must not be exceeded for longer than For. Water is
// lost in proportion to the vapour pressure deficit and moulds grow by the
// hour, so a stage that is delicate has a shorter For.
type DoseLimit struct {
	Limit
	For time.Duration
}

// Limits are the limits in force in a room; nil where none is.
type Limits struct {
	// Heat and Chill are air temperatures in °C.
	Heat, Chill *Limit
	// Drying is a vapour pressure deficit in kPa, Damp a relative humidity
	// in percent.
	Drying, Damp *DoseLimit
	// DaySwing is the range of temperature within 24 h in °C, FastChange a
	// rate in °C per hour whatever its sign.
	DaySwing, FastChange *Limit
	// MouldRisk is how far spores may come towards germinating, in percent.
	MouldRisk *Limit
}

// empty reports whether no limit is set: no cohort is in the room.
func (l Limits) empty() bool { return l == Limits{} }

// SensorState is what is known of one sensor's reporting.
type SensorState struct {
	ID       sensors.SensorID
	Position string
	// LastReading is the event time of the newest reading, zero for none.
	LastReading time.Time
	// GoneSince is since when a sensor that reports on change is gone by its own
	// word or its last will, zero when it is not, and for one that reports
	// regularly: that is missed by its habit.
	GoneSince time.Time
	// LastValue is the newest temperature in °C, known where people are to read
	// it.
	LastValue Measured
	// Fault says what is wrong with its readings, empty for nothing.
	Fault string
	// Interval is the expected time between readings, 0 while unknown.
	Interval time.Duration
	// ExpectedSince is from when the sensor could have been heard: when it
	// was configured or rearguard began to listen.
	ExpectedSince time.Time
	// Temperature in °C and Humidity in percent are what it gives to the air
	// of the room now, also where that is hard to believe.
	Temperature, Humidity Measured
	// Away is set while a person has it on the bench.
	Away bool
	// FaultUnknown is set where a quantity that was at fault is not heard any
	// more.
	FaultUnknown bool
}

// RoomState is all that Evaluator.Room looks at.
type RoomState struct {
	Room sensors.RoomID
	Name string
	Now  time.Time
	// Location is the zone in which people read times; nil for UTC.
	Location *time.Location
	// Blind is set while no usable temperature is fresh; BlindSince is when
	// that began.
	Blind      bool
	BlindSince time.Time
	// Listening is set while rearguard has not listened for long enough for
	// every sensor to have had its chance: silence then says nothing.
	Listening bool
	// Warmest and Coldest are the extremes of usable, fresh temperature in
	// °C; Driest and Dampest of relative humidity in percent; HighestVPD is
	// the greatest vapour pressure deficit of one sensor in kPa. Nil where
	// there is none.
	Warmest, Coldest, Driest, Dampest, HighestVPD *Point
	// TemperatureC and HumidityPercent are the robust centre of usable, fresh
	// readings; nil where there is none.
	TemperatureC, HumidityPercent *float64
	// OutdoorC is the temperature outdoors in °C, nil where not known.
	OutdoorC *float64
	// PressurePa is the air pressure, 0 for that of the standard atmosphere
	// at sea level.
	PressurePa float64
	// Surface is the coldest surface of the room, nil where it is not known.
	Surface *Surface
	Limits  Limits
	// Cohorts are the cohorts in the room whose heat injury is counted.
	Cohorts []HeatCohort
	Sensors []SensorState
}

// RoomMemory is what must be remembered of a room between evaluations. The
// zero value remembers nothing.
type RoomMemory struct {
	Drying Exposure    `json:"drying,omitzero"`
	Damp   Exposure    `json:"damp,omitzero"`
	Mould  Mould       `json:"mould,omitzero"`
	Trend  trend.Trend `json:"trend,omitzero"`
	// Trouble is how the room has left its usual range, if it has.
	Trouble Trouble `json:"trouble,omitzero"`
	// Injuries is the heat injury by cohort.
	Injuries map[string]Injury `json:"injuries,omitempty"`
	// Witnesses are the sensors on which what is found rests.
	Witnesses map[alerts.Condition][]Witness `json:"witnesses,omitempty"`
}

const (
	// SilentIntervals is how many intervals a sensor may be silent.
	SilentIntervals = 3
	silentFloor     = 5 * time.Minute
	emptyRoom       = "no cohort in the room"
)

// evaluation is one room at one time. Words are only written where they will
// be read: a finding that all is well has no detail.
type evaluation struct {
	in    *RoomState
	rules *Evaluator
}

// found starts an observation about the room as a whole.
func (e evaluation) found(c alerts.Condition, unit string) alerts.Observation {
	return alerts.Observation{Key: alerts.Key{Condition: c, Room: e.in.Room}, Time: e.in.Now, Unit: unit}
}

// level judges the extreme of the air against a limit.
func (e evaluation) level(
	c alerts.Condition, limit *Limit, extreme *Point, judge func(value, limit, deadband float64) alerts.Truth, memory *RoomMemory,
) alerts.Observation {
	o := e.found(c, "°C")
	if limit == nil {
		memory.dismiss(c)
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		return o
	}
	o.Limit = limit.Value
	if !e.in.Blind && extreme != nil {
		o.Value = extreme.Value
		o.Truth = judge(extreme.Value, limit.Value, e.rules.deadband[c])
		if o.Truth != alerts.False {
			o.Detail = limit.by(wording.Say("%s", extreme.where()))
		}
	}
	return e.rest(o, memory, e.beyond(&o, temperatureOf, judge))
}

// blind says whether anything can be told about the room's air.
func (e evaluation) blind() alerts.Observation {
	o := e.found(RoomBlind, "")
	switch {
	case !e.in.Blind:
		o.Truth = alerts.False
		return o
	case e.in.Listening:
		o.Detail = wording.Say("waiting for the sensors' first reports")
		return o
	}
	o.Truth, o.Detail = alerts.True, e.blindness()
	if !e.in.BlindSince.IsZero() {
		o.Value = e.in.Now.Sub(e.in.BlindSince).Minutes()
	}
	return o
}

// blindness says since when a blind room is blind, and what was heard last.
func (e evaluation) blindness() wording.Text {
	var last SensorState
	for _, s := range e.in.Sensors {
		if s.LastReading.After(last.LastReading) {
			last = s
		}
	}
	text := wording.Say("no believable temperature")
	if !e.in.BlindSince.IsZero() {
		text = wording.Say("no believable temperature since %s", e.clock(e.in.BlindSince))
	}
	switch {
	case last.LastReading.IsZero():
		return text
	case last.LastValue.Known:
		return text.And("; last heard %s %s at %s", sensorName(last), lastValue(last), e.clock(last.LastReading))
	}
	return text.And("; last heard %s at %s", sensorName(last), e.clock(last.LastReading))
}

// silent judges how late a sensor is against its own habit.
func (e evaluation) silent(s SensorState) alerts.Observation {
	o := e.found(SensorSilent, "min")
	o.Key.Subject = string(s.ID)
	if !s.GoneSince.IsZero() {
		// How long it may be silent does not matter any more.
		o.Truth, o.Value = alerts.True, e.in.Now.Sub(s.GoneSince).Minutes()
		o.Detail = wording.Say("%s, gone since %s as the broker says", sensorName(s), e.clock(s.GoneSince))
		if !s.LastReading.IsZero() {
			o.Detail = o.Detail.And("; %s", e.lastHeard(s))
		}
		return o
	}
	since, excused := s.LastReading, false
	if s.ExpectedSince.After(since) {
		since, excused = s.ExpectedSince, true
	}
	if s.Interval <= 0 || since.IsZero() {
		o.Detail = wording.Say("%s, reporting interval not known yet", sensorName(s))
		return o
	}
	limit := SilentAfter(s.Interval)
	age := e.in.Now.Sub(since)
	o.Value, o.Limit, o.Truth = age.Minutes(), limit.Minutes(), alerts.False
	if age < limit {
		if excused && e.in.Now.Sub(s.LastReading) >= limit {
			// It has not had the time to speak yet, nor has it spoken.
			o.Truth, o.Detail = alerts.Unknown, wording.Say("waiting for its first report")
		}
		return o
	}
	o.Truth = alerts.True
	if s.LastReading.IsZero() {
		o.Detail = wording.Say("%s, never heard", sensorName(s))
	} else {
		o.Detail = wording.Say("%s, %s", sensorName(s), e.lastHeard(s))
	}
	if s.Fault != "" {
		o.Detail = o.Detail.And(": its %s", reported(s.Fault))
	}
	return o
}

// disagree says whether the sensors of a room differ more than they did on
// the day before. Of two nobody can say which is wrong, so it is about the
// room.
func (e evaluation) disagree(tr *trend.Trend, memory *RoomMemory) alerts.Observation {
	o := e.found(SensorFault, "")
	if usual, known := tr.Usual(e.in.Now); known && !e.in.Blind && len(tr.Samples) > 0 {
		e.sayDisagreement(&o, tr, usual)
	}
	return e.rest(o, memory, shown(&o, e.in.Warmest, e.in.Coldest))
}

func (e evaluation) sayDisagreement(o *alerts.Observation, tr *trend.Trend, usual trend.Range) {
	now := tr.Now().D
	o.Value, o.Limit = now, usual.LowD+faultyC
	o.Truth = alerts.Above(now, o.Limit, faultyC/2)
	if o.Truth != alerts.False && e.in.Warmest != nil && e.in.Coldest != nil {
		o.Detail = wording.Say("%s says %s and %s %s; they used to agree within %s",
			e.in.Warmest.where(), wording.Value(e.in.Warmest.Value, 1, "°C"), e.in.Coldest.where(), wording.Value(e.in.Coldest.Value, 1, "°C"),
			wording.Difference(max(0.1, usual.LowD), 1))
	}
}

// fault says whether the readings of a sensor can be believed. While it is
// silent, or has not been heard yet, nothing is known of them.
func (e evaluation) fault(s *SensorState, silent alerts.Truth) alerts.Observation {
	o := e.found(SensorFault, "")
	o.Key.Subject = string(s.ID)
	switch {
	case silent == alerts.True:
	case s.Fault != "":
		o.Truth = alerts.True
		o.Detail = wording.Say("%s: its %s", sensorName(*s), reported(s.Fault))
		if s.LastValue.Known {
			o.Detail = o.Detail.And(", now %s", lastValue(*s))
		}
	case silent == alerts.Unknown && s.Interval > 0 || s.FaultUnknown:
	default:
		o.Truth = alerts.False
	}
	return o
}

func (e evaluation) clock(t time.Time) wording.Arg { return wording.Clock(t, e.in.Now, e.in.Location) }

func sensorName(s SensorState) wording.Arg { return Point{Sensor: s.ID, Position: s.Position}.where() }

// lastHeard says what a sensor said last, and when.
func (e evaluation) lastHeard(s SensorState) wording.Arg {
	if s.LastValue.Known {
		return wording.Of(wording.Say("last heard %s at %s", lastValue(s), e.clock(s.LastReading)))
	}
	return wording.Of(wording.Say("last heard at %s", e.clock(s.LastReading)))
}

func lastValue(s SensorState) wording.Arg { return wording.Value(s.LastValue.Value, 1, "°C") }
