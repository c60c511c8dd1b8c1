package conditions_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
)

var update = flag.Bool("update", false, "write alarms.md anew")

// The rationalisation record of ISA-18.2, one row for each alarm, is written
// from the definitions, so that it cannot tell another story.
func TestRecord(t *testing.T) {
	got := record()
	if *update {
		if err := os.WriteFile("alarms.md", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("alarms.md")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("alarms.md is not what the definitions say; run go test ./alerts/conditions -run TestRecord -update (-file +definitions):\n%s", diff)
	}
}

func record() string {
	var b strings.Builder
	b.WriteString("# Every alarm\n\nWritten from the definitions by `go test ./alerts/conditions -run TestRecord -update`.\n")
	b.WriteString("\nAn acknowledged alarm calls again when it is no better after the time to respond: no nearer to its limit by the deadband, or still on where it has no value. Low alarms call once.\n")
	b.WriteString("All hands are called at once, whatever turn, hours or quiet hours, for a critical alarm of the severe class.\n")
	b.WriteString("\nPriority follows from the class of consequence and the time to respond:\n\n")
	times := []time.Duration{10 * time.Minute, time.Hour, 4 * time.Hour, 24 * time.Hour}
	b.WriteString("| consequence | under 30 min | under 2 h | under 8 h | longer |\n| --- | --- | --- | --- | --- |\n")
	for _, s := range []alerts.Severity{alerts.Minor, alerts.Moderate, alerts.Major, alerts.Severe} {
		fmt.Fprintf(&b, "| %v |", s)
		for _, d := range times {
			fmt.Fprintf(&b, " %v |", alerts.PriorityFor(s, d))
		}
		b.WriteString("\n")
	}
	for _, d := range conditions.Definitions() {
		fmt.Fprintf(&b, "\n## %s: %s\n\n", d.Condition, d.Title)
		fmt.Fprintf(&b, "- priority: %v (%v, %s to respond)\n", d.Priority(), d.Severity, short(d.TimeToRespond))
		fmt.Fprintf(&b, "- cause: %s\n- consequence: %s\n- first action: %s\n", d.Cause, d.Consequence, d.FirstAction)
		fmt.Fprintf(&b, "- on-delay %s, off-delay %s", short(d.OnDelay), short(d.OffDelay))
		if d.Deadband > 0 {
			fmt.Fprintf(&b, ", deadband %v %s", d.Deadband, d.Unit)
		}
		if d.Lethal() {
			b.WriteString(", all hands at once")
		}
		if d.ReAlarm > 0 {
			fmt.Fprintf(&b, ", calls again %s after acknowledgement", short(d.ReAlarm))
		}
		for i, pause := range d.Repeat {
			b.WriteString([]string{", unacknowledged again after ", ", then "}[min(i, 1)] + short(pause))
		}
		b.WriteString("\n")
		for _, rule := range conditions.Folding() {
			for _, folded := range rule.Folds {
				if folded == d.Condition {
					fmt.Fprintf(&b, "- folded under %s\n", rule.Root)
				}
			}
		}
	}
	return b.String()
}

// short writes a duration without its zero parts.
func short(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}

// A room that is stored and restored at every step goes on exactly as one
// that never was, over a day with a failed heater in it.
func TestMemorySurvivesStorage(t *testing.T) {
	m := newModel(3)
	var plain, stored conditions.RoomMemory
	for minute := range 30 * 60 {
		if minute == 26*60 {
			m.heater = func() bool { return false }
		}
		m.visit()
		for range 6 {
			m.step()
		}
		in := m.state(night.Add(time.Duration(minute) * time.Minute))
		var a, b []alerts.Observation
		a, plain = judge(in, plain)
		b, stored = judge(in, stored)
		if diff := cmp.Diff(a, b); diff != "" {
			t.Fatalf("minute %d (-plain +stored):\n%s", minute, diff)
		}
		text, err := json.Marshal(stored)
		if err != nil {
			t.Fatal(err)
		}
		stored = conditions.RoomMemory{}
		if err := json.Unmarshal(text, &stored); err != nil {
			t.Fatal(err)
		}
	}
	if plain.Trouble.Cause == "" {
		t.Error("the failed heater left no trace in the memory; the test compares nothing")
	}
}
