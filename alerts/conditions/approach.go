package conditions

import (
	"math"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/wording"
)

const (
	// approachHorizon is how far ahead, in minutes, a crossing is announced.
	approachHorizon = 30.0
	// approachLeast is the slowest change in °C per hour that is believed to
	// lead anywhere: a room in control wanders by as much.
	approachLeast = 1.0
)

// approach says whether the temperature is on its way to a limit that it has
// not reached, and in how many minutes it will be there.
func (e evaluation) approach(c alerts.Condition, limit *Limit, extreme *Point, tr *trend.Trend, sign float64, memory *RoomMemory) alerts.Observation {
	o := e.found(c, "°C")
	if limit == nil {
		memory.dismiss(c)
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		return o
	}
	o.Limit = limit.Value
	if !e.in.Blind && extreme != nil && tr.Temperature.Known {
		e.sayApproach(&o, limit, extreme, tr, sign)
	}
	return e.rest(o, memory, shown(&o, extreme))
}

func (e evaluation) sayApproach(o *alerts.Observation, limit *Limit, extreme *Point, tr *trend.Trend, sign float64) {
	o.Value = extreme.Value
	gap := sign * (limit.Value - extreme.Value)
	if gap <= 0 {
		// There already: no news, and nothing has passed either.
		o.Truth = alerts.Between
		return
	}
	p := project(tr, sign, gap)
	if !e.unusual(tr, extreme.Value, sign, gap) {
		p = projection{}
	}
	switch {
	case p.reaches && p.minutes <= approachHorizon:
		o.Truth = alerts.True
		o.Due = e.in.Now.Add(durationOfMinutes(p.minutes))
		o.Detail = limit.by(wording.Say("reaches %s in about %s min (%s to %s), changing by %s; %s",
			wording.Value(limit.Value, 1, "°C"), wording.Number(p.minutes, 0), wording.Number(p.soonest, 0), wording.Of(p.latestText()),
			wording.Change(tr.Temperature.PerHour, 1, "°C/h"), extreme.where()))
	case p.reaches && p.minutes <= 2*approachHorizon:
		o.Truth = alerts.Between
	default:
		o.Truth = alerts.False
	}
}

// unusual reports whether a value on its way in the direction of sign is
// beyond where the room goes every day. While a day is not known, the way
// behind must be as long as the way ahead.
func (e evaluation) unusual(tr *trend.Trend, value, sign, gap float64) bool {
	if usual, known := tr.Usual(e.in.Now); known {
		return sign*value > sign*usual.End(sign)
	}
	start := math.Inf(1)
	for _, s := range tr.Samples {
		start = min(start, sign*s.C)
	}
	return sign*tr.Samples[len(tr.Samples)-1].C-start >= gap
}

// projection is when a limit will be reached, in minutes from now.
type projection struct {
	reaches                  bool
	minutes, soonest, latest float64
}

func (p projection) latestText() wording.Text {
	if p.latest > 24*60 {
		return wording.Say("never")
	}
	return wording.Say("%s", wording.Number(p.latest, 0))
}

// project follows the trend on towards a limit that lies gap °C away in the
// direction of sign. A change that slows down is followed along an exponential
// to where it levels off; one that speeds up or stays is followed straight on.
func project(tr *trend.Trend, sign, gap float64) projection {
	slope, low, high := sign*tr.Temperature.PerHour, sign*tr.Temperature.Low, sign*tr.Temperature.High
	if sign < 0 {
		low, high = high, low
	}
	if low <= 0 || slope < approachLeast {
		return projection{}
	}
	early, late := sign*tr.Early, sign*tr.Late
	p := projection{minutes: 60 * gap / slope, soonest: 60 * gap / high, latest: 60 * gap / low}
	if late <= 0 {
		return projection{}
	}
	if late < early {
		// The middles of the two halves lie trend.SlopeWindow/2 apart, and the
		// later one trend.SlopeWindow/4 before now.
		tau := (trend.SlopeWindow / 2).Hours() / math.Log(early/late)
		rise := late * math.Sqrt(late/early) * tau
		if rise <= gap {
			return projection{}
		}
		p.minutes = -60 * tau * math.Log1p(-gap/rise)
		p.latest = max(p.latest, p.minutes)
		p.soonest = min(p.soonest, p.minutes)
	}
	p.reaches = true
	return p
}
