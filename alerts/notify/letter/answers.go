package letter

import (
	"strings"
	"time"

	"rearguard/alerts/incidents"
)

// Answers say of a call who was called besides, and what came of it.
type Answers struct {
	// Since is since when nobody has answered, zero for the first call; Called are
	// the names of those who were called since.
	Since  time.Time `json:"unanswered_since,omitzero"`
	Called []string  `json:"called_so_far,omitempty"`
	// Vain is the answer that made nothing better, nil for none.
	Vain *incidents.Vain `json:"in_vain,omitempty"`
	// Everybody is set where all hands are called, Nobody where everybody is
	// called because the roster has nobody.
	Everybody bool `json:"everybody,omitempty"`
	Nobody    bool `json:"nobody_on_duty,omitempty"`
}

// sayAnswers says who was called besides, and what came of it.
func (n *AlarmNotice) sayAnswers(w *writer) {
	r := w.reader
	if v := n.Vain; v != nil {
		has := r.Phrase("%s has it since %s", v.By, r.Moment(v.At))
		if v.Going {
			has = r.Phrase("%s is going since %s", v.By, r.Moment(v.At))
		}
		if v.Unit == "" {
			w.line("%s, and it has not got better.", has)
		} else {
			w.line("%s, and it has not got better: %s then, %s now.", has, r.Quantity(v.Then, v.Unit), r.Quantity(v.Now, v.Unit))
		}
	}
	switch {
	case n.Since.IsZero():
	case len(n.Called) == 0:
		w.line("Nobody has answered since %s.", r.Moment(n.Since))
	default:
		w.line("Nobody has answered since %s; called so far: %s.", r.Moment(n.Since), strings.Join(n.Called, ", "))
	}
	switch {
	case n.Nobody:
		w.line("The roster has nobody for this now, so everybody is called.")
	case n.Everybody:
		w.line("Everybody is called: a whole cohort or room may be lost.")
	}
}
