package notify

import (
	"fmt"
	"strings"

	"rearguard/alerts"
)

// answers says who was called besides, and what came of it, a sentence for each.
func (n AlarmNotice) answers() []string {
	var lines []string
	if v := n.Vain; v != nil {
		has := "has it"
		if v.Going {
			has = "is going"
		}
		words := fmt.Sprintf("%s %s since %s, and it has not got better", v.By, has, n.clock(v.At))
		if v.Unit != "" {
			words += fmt.Sprintf(": %s then, %s now", alerts.Quantity(v.Then, v.Unit), alerts.Quantity(v.Now, v.Unit))
		}
		lines = append(lines, words+".")
	}
	if !n.Since.IsZero() {
		words := "Nobody has answered since " + n.clock(n.Since)
		if len(n.Called) > 0 {
			words += "; called so far: " + strings.Join(n.Called, ", ")
		}
		lines = append(lines, words+".")
	}
	switch {
	case n.Nobody:
		lines = append(lines, "The roster has nobody for this now, so everybody is called.")
	case n.Everybody:
		lines = append(lines, "Everybody is called: a whole cohort or room may be lost.")
	}
	return lines
}
