package facility

import (
	"fmt"
	"strconv"
	"time"
)

// LimitsByName lists everything of a configuration that decides when an alarm
// is raised, as text by a name for people.
func (f *Facility) LimitsByName() map[string]string {
	out := make(map[string]string)
	listLimits(out, "facility", f.Limits)
	for i := range f.Rooms {
		r := &f.Rooms[i]
		listLimits(out, "room "+string(r.ID), r.Limits)
		if r.ColdestSurfaceBelowAirCelsius > 0 {
			out["room "+string(r.ID)+" coldest_surface_below_air_celsius"] = number(r.ColdestSurfaceBelowAirCelsius)
		}
	}
	for condition, t := range f.Alarms {
		name := "alarm " + string(condition)
		if t.OnDelay != nil {
			out[name+" on_delay"] = t.OnDelay.String()
		}
		if t.OffDelay != nil {
			out[name+" off_delay"] = t.OffDelay.String()
		}
		if d := t.Deadband(); d != nil {
			out[name+" deadband"] = number(*d)
		}
	}
	return out
}

func listLimits(out map[string]string, where string, l Limits) {
	for _, one := range []struct {
		key   string
		value *float64
		after time.Duration
	}{
		{"heat_celsius", l.HeatCelsius, 0},
		{"chill_celsius", l.ChillCelsius, 0},
		{"drying_kilopascals", l.DryingKilopascals, l.DryingAfter},
		{"damp_percent", l.DampPercent, l.DampAfter},
		{"day_swing_celsius", l.DaySwingCelsius, 0},
		{"fast_change_celsius_per_hour", l.FastChangeCelsiusPerHour, 0},
		{"mould_percent", l.MouldPercent, 0},
	} {
		if one.value == nil {
			continue
		}
		text := number(*one.value)
		if one.after > 0 {
			text += fmt.Sprintf(" for %s", one.after)
		}
		out[where+" "+one.key] = text
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
