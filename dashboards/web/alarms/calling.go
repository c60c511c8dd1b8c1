package alarms

import (
	"fmt"
	"strings"
	"time"

	"rearguard/dashboards/format"
)

// Calling says who was called for the incident, who has it and who is next, a
// sentence for each; nothing once it is over.
func (c Card) Calling() []string {
	i := c.Incident
	if i == nil || !i.EndedAt.IsZero() {
		return nil
	}
	clock := func(at time.Time) string { return format.Clock(c.V.S.Time, at, c.V.Loc) }
	has := func(going bool) string {
		if going {
			return "is going"
		}
		return "has it"
	}
	var lines []string
	if v := i.Vain; v != nil {
		words := fmt.Sprintf("%s %s since %s, and it has not got better", v.By, has(v.Going), clock(v.At))
		if v.Unit != "" {
			words += fmt.Sprintf(": %s then, %s when it was looked at again", format.Value(v.Then, v.Unit), format.Value(v.Now, v.Unit))
		}
		lines = append(lines, words+".")
	}
	if len(i.Called) > 0 {
		called := make([]string, len(i.Called))
		for k, one := range i.Called {
			called[k] = fmt.Sprintf("%s at %s", i.Names[k], clock(one.At))
			if one.LastAt.After(one.At) {
				called[k] += " and last at " + clock(one.LastAt)
			}
		}
		lines = append(lines, "Called: "+strings.Join(called, ", ")+".")
	}
	switch {
	case i.TakenBy != "" && c.AcknowledgedBy == "":
		lines = append(lines, fmt.Sprintf("%s %s since %s.", i.TakenBy, has(i.Going), clock(i.TakenAt)))
	case len(i.Next) == 1:
		lines = append(lines, fmt.Sprintf("Unless somebody answers, %s is called at %s.", i.Next[0], clock(i.NextAt)))
	case len(i.Next) > 1:
		lines = append(lines, fmt.Sprintf("Unless somebody answers, these are called at %s: %s.", clock(i.NextAt), strings.Join(i.Next, ", ")))
	}
	return lines
}
