package letter_test

import (
	"strings"
	"testing"
	"time"

	"rearguard/alerts/incidents"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/wording"
)

// A call says who was called besides and what came of it, and the others hear
// who is on the way, each in their own words.
func TestAnswers(t *testing.T) {
	next := heat(letter.Raised, begin.Add(10*time.Minute))
	next.Since, next.Called = begin, []string{"Ines", "Ben"}
	vain := heat(letter.Reminder, begin.Add(2*time.Hour))
	vain.Vain, vain.Nobody = &incidents.Vain{By: "Ines", At: begin.Add(5 * time.Minute), Going: true, Then: 36, Now: 36.44, Unit: "°C"}, true
	blind := heat(letter.Reminder, begin.Add(2*time.Hour))
	blind.Vain, blind.Since, blind.Everybody = &incidents.Vain{By: "Ines", At: begin.Add(5 * time.Minute)}, begin, true
	going := heat(letter.Going, begin.Add(time.Minute))
	going.TakenBy = "Ines"
	for name, c := range map[string]struct {
		notice letter.AlarmNotice
		want   string
	}{
		"somebody more is called": {next, "Nobody has answered since Tue 14 Jan 02:14 CET; called so far: Ines, Ben.\n"},
		"in vain":                 {vain, "Ines is going since Tue 14 Jan 02:19 CET, and it has not got better: 36.0 °C then, 36.4 °C now.\nThe roster has nobody for this now, so everybody is called.\n"},
		"in vain, in German": {
			as(vain, wording.German, wording.Fahrenheit),
			"Ines ist seit Di 14. Jan. 02:19 MEZ unterwegs, und es ist nicht besser geworden: damals 96,8 °F, jetzt 97,6 °F.\nIm Dienstplan steht jetzt niemand dafür, deshalb werden alle gerufen.\n",
		},
		"without a value": {
			blind, "Ines has it since Tue 14 Jan 02:19 CET, and it has not got better.\nNobody has answered since Tue 14 Jan 02:14 CET.\nEverybody is called: a whole cohort or room may be lost.\n",
		},
		"going":            {going, "Ines is going: Nursery: too hot\nInes is going since Tue 14 Jan 02:15 CET. No need to come unless there is another call.\n\nSee: "},
		"going, in German": {as(going, wording.German, wording.Celsius), "Ines geht hin: Nursery: zu heiß\nInes ist seit Di 14. Jan. 02:15 MEZ unterwegs. "},
	} {
		if _, body := letter.Render(c.notice, c.notice.Time); !strings.Contains(body, c.want) {
			t.Errorf("%s: no %q in\n%s", name, c.want, body)
		}
	}
}
