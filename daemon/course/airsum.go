package course

import (
	"time"

	"rearguard/daemon/roomair"
	"rearguard/sensors/desk"
)

// AirSum is the air of a cohort in short: the temperature summed up over time,
// kept every few hours. It tells the mean temperature between any two times.
type AirSum struct {
	From time.Time `json:"from,omitzero"`
	At   time.Time `json:"at,omitzero"`
	// Sum is in °C·days since From; Steps holds it at From + airStep, From +
	// 2 airStep and so on.
	Sum   float64   `json:"sum"`
	Steps []float64 `json:"steps,omitempty"`
}

const airStep = 6 * time.Hour

// add takes the next segment of the cohort's air.
func (a *AirSum) add(seg roomair.Segment) {
	if a.From.IsZero() {
		a.From, a.At = seg.From, seg.From
	}
	for {
		part, ok := seg.Clip(desk.Later(a.At, seg.From), seg.To)
		if !ok {
			return
		}
		next := a.From.Add(time.Duration(len(a.Steps)+1) * airStep)
		whole := !next.After(part.To)
		if whole {
			if part, ok = part.Clip(part.From, next); !ok {
				return
			}
		}
		a.Sum += (part.FromC + part.ToC) / 2 * part.To.Sub(part.From).Hours() / 24
		a.At = part.To
		if whole {
			a.Steps = append(a.Steps, a.Sum)
		}
	}
}

// at is the sum up to t, on straight lines between the times kept.
func (a *AirSum) at(t time.Time) float64 {
	i := int(t.Sub(a.From) / airStep)
	sumAt := func(i int) (float64, time.Time) {
		switch {
		case i == 0:
			return 0, a.From
		case i <= len(a.Steps):
			return a.Steps[i-1], a.From.Add(time.Duration(i) * airStep)
		}
		return a.Sum, a.At
	}
	from, begin := sumAt(i)
	to, end := sumAt(i + 1)
	if !end.After(begin) {
		return from
	}
	return from + (to-from)*float64(t.Sub(begin))/float64(end.Sub(begin))
}

// Mean is the mean temperature in °C between two times, and false where the
// air of that time is not known.
func (a *AirSum) Mean(from, to time.Time) (float64, bool) {
	if a.From.IsZero() || from.Before(a.From) || to.After(a.At) || !to.After(from) {
		return 0, false
	}
	return (a.at(to) - a.at(from)) / (to.Sub(from).Hours() / 24), true
}
