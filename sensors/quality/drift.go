package quality

import (
	"fmt"
	"math"
	"time"

	"rearguard/sensors"
)

// driftState is a two-sided CUSUM chart of daily medians.
type driftState struct {
	Up       float64 `json:"up"`
	Down     float64 `json:"down"`
	UpFrom   int64   `json:"up_from"`
	DownFrom int64   `json:"down_from"`
	Active   bool    `json:"active"`
	Since    int64   `json:"since"`
	Size     float64 `json:"size"`
	PerDay   float64 `json:"per_day"`
	Calm     int     `json:"calm"`
}

// Drift is a slow departure of one sensor from the others of its room.
type Drift struct {
	// Size is the departure now and PerDay its slope, in the quantity's unit.
	Size   float64 `json:"size"`
	PerDay float64 `json:"per_day"`
	// Since is the day on which the departure began, as far as can be told.
	Since time.Time `json:"since"`
}

// Drift returns the drift of a sensor, if it was found to have any.
func (n *Neighbours) Drift(id sensors.SensorID) (Drift, bool) {
	i, ok := n.find(id)
	if !ok || !n.members[i].Drift.Active {
		return Drift{}, false
	}
	d := n.members[i].Drift
	return Drift{Size: d.Size, PerDay: d.PerDay, Since: millis(d.Since)}, true
}

// away smooths the deviation and adds it to the hour.
func (m *member) away(at int64, deviation float64) {
	hour := at / hourMillis
	if m.Hour == 0 {
		m.Hour, m.Away = hour, deviation
	}
	m.Away += smoothing(math.Max(m.Interval, 1)) * (deviation - m.Away)
	if hour != m.Hour {
		if m.HourN > 0 && m.HoursN < len(m.Hours) {
			m.Hours[m.HoursN] = m.HourSum / float64(m.HourN)
			m.HoursN++
		}
		m.HourSum, m.HourN = 0, 0
	}
	m.HourSum += deviation
	m.HourN++
}

// learn closes hours and days: a day is the median of its hours' means.
func (n *Neighbours) learn(m *member, at int64) {
	hour := at / hourMillis
	day, before := hour/24, m.Hour/24
	m.Hour = hour
	if day == before {
		return
	}
	if m.HoursN >= minDayHours {
		hours := m.Hours
		n.closeDay(m, before*dayMillis, sensors.Median(hours[:m.HoursN]))
	}
	m.HoursN = 0
}

func (n *Neighbours) closeDay(m *member, start int64, x float64) {
	if len(m.Days) == keepDays {
		m.Days, m.DayStart = m.Days[1:], m.DayStart[1:]
	}
	m.Days, m.DayStart = append(m.Days, x), append(m.DayStart, start)
	if !m.Learned {
		if len(m.Days) >= learnDays {
			m.Base = sensors.Median(append([]float64{}, m.Days...))
			m.Learned = true
		}
		return
	}
	d := &m.Drift
	x -= m.Base
	n.chart(&d.Up, &d.UpFrom, start, x)
	n.chart(&d.Down, &d.DownFrom, start, -x)
	last := m.Days[max(0, len(m.Days)-3):]
	size := sensors.Median(append([]float64{}, last...)) - m.Base
	from := d.UpFrom
	if d.Down > d.Up {
		from = d.DownFrom
	}
	switch {
	case n.c.DriftSize <= 0:
	case math.Max(d.Up, d.Down) > n.c.DriftSum && math.Abs(size) >= n.driftSize(m):
		d.PerDay = slopeSince(m.DayStart, m.Days, from)
		if !d.Active {
			d.Active, d.Since = true, onset(start, from, m.DayStart[0], x, d.PerDay)
		}
		// The newest day says best how far it is by now.
		d.Size, d.Calm = x, 0
	case d.Active && math.Abs(x) < n.c.DriftSize/2:
		if d.Calm++; d.Calm >= 2 {
			*d = driftState{}
		}
	case d.Active:
		d.Size, d.Calm = x, 0
	}
}

// driftSize is the smallest departure called drift: that of a coarse sensor
// cannot be told within half a step.
func (n *Neighbours) driftSize(m *member) float64 { return n.c.DriftSize + m.Step.Resolution/2 }

// chart adds a day's departure to one side of the CUSUM chart, and remembers
// when that side last left zero.
func (n *Neighbours) chart(sum *float64, from *int64, day int64, x float64) {
	// Evidence is capped so that a mended sensor is forgiven in days.
	*sum = math.Min(math.Max(0, *sum+x-n.c.DriftSlack), 2*n.c.DriftSum)
	if *sum == 0 {
		*from = 0
	} else if *from == 0 {
		*from = day
	}
}

// onset goes back along the slope to where the departure was zero, but not
// beyond the days remembered and not later than the chart left zero.
func onset(now, chart, first int64, size, perDay float64) int64 {
	if perDay*size <= 0 {
		return chart
	}
	back := now - int64(size/perDay*float64(dayMillis))
	return min(max(back, first), chart)
}

// slopeSince is the slope through the days since from, in units a day: zero for
// fewer than two days.
func slopeSince(at []int64, x []float64, from int64) float64 {
	var list []sensors.XY
	for i := range x {
		if at[i] >= from {
			list = append(list, sensors.XY{X: float64(at[i]) / float64(dayMillis), Y: x[i]})
		}
	}
	return sensors.TheilSen(list)
}

// NeighboursState is all that a Neighbours remembers.
type NeighboursState struct {
	Quantity sensors.Quantity `json:"quantity"`
	Center   float64          `json:"center"`
	CenterAt int64            `json:"center_at"`
	Members  []member         `json:"members"`
}

// State returns a checkpoint that later calls do not change.
func (n *Neighbours) State() NeighboursState {
	s := NeighboursState{Quantity: n.q, Center: n.center, CenterAt: n.centerAt}
	for _, m := range n.members {
		c := *m
		c.Days = append([]float64(nil), m.Days...)
		c.DayStart = append([]int64(nil), m.DayStart...)
		s.Members = append(s.Members, c)
	}
	return s
}

// Restore continues from a checkpoint.
func (n *Neighbours) Restore(s NeighboursState) error {
	if s.Quantity != n.q {
		return fmt.Errorf("restore neighbours: state is of %v, want %v", s.Quantity, n.q)
	}
	members := make([]*member, 0, len(s.Members))
	for i := range s.Members {
		m := s.Members[i]
		if len(m.Days) != len(m.DayStart) || len(m.Days) > keepDays || m.HoursN < 0 || m.HoursN > len(m.Hours) {
			return fmt.Errorf("restore neighbours: sensor %s has a history of impossible length", m.ID)
		}
		if i > 0 && s.Members[i-1].ID >= m.ID {
			return fmt.Errorf("restore neighbours: sensor %s is out of order", m.ID)
		}
		m.Days = append([]float64(nil), m.Days...)
		m.DayStart = append([]int64(nil), m.DayStart...)
		members = append(members, &m)
	}
	n.members, n.center, n.centerAt = members, s.Center, s.CenterAt
	return nil
}
