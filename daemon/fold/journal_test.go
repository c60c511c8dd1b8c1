package fold

import (
	"testing"

	"rearguard/daemon/foldtest"
	"rearguard/daemon/records"
)

// Old records may hold commands that nobody can give any more. They are read
// and change nothing.
func TestWithdrawnCommandsOfOldRecords(t *testing.T) {
	for kind, body := range map[string]string{
		"suppress":   `{"key":{"condition":"heat","room":"nursery","subject":""},"by":"cleaning by plan"}`,
		"unsuppress": `{"key":{"condition":"heat","room":"nursery","subject":""},"who":"lead"}`,
		"reset":      `{"key":{"condition":"heat","room":"nursery","subject":""},"who":"lead"}`,
	} {
		sandbox := newBox(t, testOptions(t, foldtest.Facility))
		event, err := sandbox.fold.kinds.eventOf(records.JournalEntry{Seq: 1, Kind: kind, Body: []byte(body)})
		if err != nil || event.Kind() != kind {
			t.Fatalf("%s: %v, %v", kind, event, err)
		}
		if err := sandbox.Do(event); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		if got := sandbox.Snapshot().Alarms; len(got) != 0 {
			t.Errorf("%s left %+v", kind, got)
		}
	}
}
