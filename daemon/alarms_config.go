package daemon

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"

	"rearguard/daemon/facility"
)

// LimitChange is one change of the configured limits, found at a start.
type LimitChange struct {
	At   time.Time `json:"at"`
	What string    `json:"what"`
	// From and To are as in the configuration, empty for not set.
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// changesKept bounds the changes of limits that pages show; the journal has
// all of them.
const changesKept = 100

// limitsEvent says that the configuration of limits and alarms is not what it
// was when the daemon ran last.
type limitsEvent struct {
	Limits map[string]string `json:"limits"`
	// Changes is empty the first time, when there is nothing to compare.
	Changes []LimitChange `json:"changes,omitempty"`
}

// Kind implements Command.
func (limitsEvent) Kind() string { return "limits" }

// noteLimits journals the configured limits if they have changed.
func (c *core) noteLimits(now time.Time) error {
	limits := configuredLimits(c.facility)
	if c.watch.limits != nil && maps.Equal(limits, c.watch.limits) {
		return nil
	}
	event := limitsEvent{Limits: limits}
	if c.watch.limits != nil {
		event.Changes = limitChanges(c.watch.limits, limits, now)
	}
	return c.journal(event)
}

func (c *core) limitsChanged(e limitsEvent) {
	c.watch.limits = e.Limits
	c.watch.changes = append(slices.Clone(c.watch.changes), e.Changes...)
	c.watch.changes = c.watch.changes[max(0, len(c.watch.changes)-changesKept):]
}

func limitChanges(before, after map[string]string, at time.Time) []LimitChange {
	names := slices.Sorted(maps.Keys(before))
	for name := range after {
		if _, ok := before[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	var list []LimitChange
	for _, name := range names {
		if before[name] != after[name] {
			list = append(list, LimitChange{At: at, What: name, From: before[name], To: after[name]})
		}
	}
	return list
}

// configuredLimits lists everything of a configuration that decides when an
// alarm is raised.
func configuredLimits(f *facility.Facility) map[string]string {
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

func listLimits(out map[string]string, where string, l facility.Limits) {
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
