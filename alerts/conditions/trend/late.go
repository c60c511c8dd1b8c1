package trend

import (
	"math"
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/air"
)

// Told is what one sensor told of one clock hour after the fact: a device that
// kept its readings while nobody took them, or a house whose history comes with
// its sensors. Readings of an hour may come in any order.
type Told struct {
	Start  time.Time        `json:"start"`
	Sensor sensors.SensorID `json:"sensor"`
	LowC   float64          `json:"low_c"`
	HighC  float64          `json:"high_c"`
	// MeanC is the mean of N temperatures in °C.
	MeanC float64 `json:"mean_c"`
	N     int     `json:"n"`
	// LowW and HighW are in g/kg, MeanRH is the mean of NRH relative
	// humidities in percent.
	LowW   float64 `json:"low_w,omitempty"`
	HighW  float64 `json:"high_w,omitempty"`
	MeanRH float64 `json:"mean_rh,omitempty"`
	NRH    int     `json:"n_rh,omitempty"`
	// LastC is the newest temperature heard, for the humidity that comes with it.
	LastC float64 `json:"last_c"`
}

// lateAfter is how old a reading is that was not part of the air when it was
// measured: what is fresh longer than that is of no sensor that reports
// regularly (common practice, no published source).
const lateAfter = time.Hour

// Recall takes in a reading that comes long after it was measured. It tells
// what was usual in hours in which nothing was heard live.
func (tr Trend) Recall(r *sensors.Reading, now time.Time) Trend {
	age := now.Sub(r.Time)
	if age <= lateAfter || age >= dayHours*time.Hour || !r.Flag.Usable() || math.IsNaN(r.Value) {
		return tr
	}
	start := r.Time.Truncate(time.Hour)
	// Copies, never changes in place: older memories share the arrays.
	tr.Told = slices.DeleteFunc(slices.Clone(tr.Told), func(l Told) bool { return now.Sub(l.Start) > dayHours*time.Hour })
	at := slices.IndexFunc(tr.Told, func(l Told) bool { return l.Sensor == r.Sensor && l.Start.Equal(start) })
	if at < 0 {
		if r.Quantity != sensors.Temperature {
			return tr
		}
		at, tr.Told = len(tr.Told), append(tr.Told, Told{Start: start, Sensor: r.Sensor, LowC: r.Value, HighC: r.Value})
	}
	l := &tr.Told[at]
	switch r.Quantity {
	case sensors.Temperature:
		l.N++
		l.LowC, l.HighC, l.LastC = min(l.LowC, r.Value), max(l.HighC, r.Value), r.Value
		l.MeanC = rounded(l.MeanC+(r.Value-l.MeanC)/float64(l.N), 1e4)
	case sensors.RelativeHumidity:
		l.NRH++
		l.MeanRH = rounded(l.MeanRH+(r.Value-l.MeanRH)/float64(l.NRH), 1e4)
		// The pressure hardly matters to a range in which to be.
		if w, err := air.HumidityRatio(l.LastC, r.Value, air.StandardPressurePa); err == nil {
			l.LowW, l.HighW = lowest(l.LowW, rounded(1000*w, 1e4)), max(l.HighW, rounded(1000*w, 1e4))
		}
	}
	return tr
}

// hours are those of which something is known: heard live, else told late.
func (tr Trend) hours() []Hour {
	if len(tr.Told) == 0 {
		return tr.Hours
	}
	hours := slices.Clone(tr.Hours)
	told := map[time.Time][]Told{}
	for _, l := range tr.Told {
		told[l.Start] = append(told[l.Start], l)
	}
	for start, list := range told {
		if !slices.ContainsFunc(tr.Hours, func(h Hour) bool { return h.Start.Equal(start) }) {
			hours = append(hours, hourOf(start, list))
		}
	}
	return hours
}

// hourOf is the hour of a room by what its sensors told of it late. By how much
// it was warmer than outdoors, and how fast moisture was lost, is not known.
func hourOf(start time.Time, list []Told) Hour {
	h := Hour{Start: start}
	damp := slices.DeleteFunc(slices.Clone(list), func(l Told) bool { return l.NRH == 0 })
	h.LowC, h.HighC = middle(list, func(l *Told) float64 { return l.LowC }), middle(list, func(l *Told) float64 { return l.HighC })
	if len(damp) > 0 {
		h.LowW, h.HighW = middle(damp, func(l *Told) float64 { return l.LowW }), middle(damp, func(l *Told) float64 { return l.HighW })
		h.MeanRH = middle(damp, func(l *Told) float64 { return l.MeanRH })
	}
	warmest, coldest := list[0].MeanC, list[0].MeanC
	for _, l := range list {
		warmest, coldest = max(warmest, l.MeanC), min(coldest, l.MeanC)
		h.N += l.NRH
	}
	h.HighD = rounded(warmest-coldest, 1e2)
	return h
}

// middle is the median over sensors.
func middle(list []Told, value func(*Told) float64) float64 {
	values := make([]float64, len(list))
	for i := range list {
		values[i] = value(&list[i])
	}
	return sensors.Median(values)
}
