package alerts_test

import (
	"bytes"
	"encoding/json"
	"reflect"
	"testing"

	"rearguard/alerts"
)

// storedAlarm is an alarm with everything there is to remember, as records
// hold it.
const storedAlarm = `{
	"key": {"condition": "heat", "room": "nursery", "subject": "upper"},
	"occurrence": 41,
	"active": true,
	"acked": true,
	"shelved_until": "2025-01-14T01:15:00Z",
	"shelved_by": "Mara",
	"shelve_reason": "the door is open",
	"out_of_service": true,
	"out_of_service_by": "Ines",
	"out_of_service_reason": "new heater",
	"under": {"condition": "mains", "room": "", "subject": ""},
	"unfold_at": "2025-01-14T01:16:00Z",
	"named_root": {"condition": "cooling", "room": "nursery", "subject": ""},
	"raised_at": "2025-01-14T01:01:00Z",
	"cleared_at": "2025-01-14T01:02:00Z",
	"acked_at": "2025-01-14T01:03:00Z",
	"acked_by": "Ada",
	"ack_moved": 30000000000,
	"going": true,
	"acked_value": 36.4,
	"acked_limit": 35,
	"vain_at": "2025-01-14T02:02:00Z",
	"annunciations": 2,
	"last_annunciated": "2025-01-14T01:04:00Z",
	"recurrences": 3,
	"repeats": 4,
	"repeat_at": "2025-01-14T01:34:00Z",
	"owed": true,
	"truth": 2,
	"observed_at": "2025-01-14T01:05:00Z",
	"false_since": "2025-01-14T01:06:00Z",
	"value": 36.5,
	"limit": 35,
	"unit": "°C",
	"air_c": 27.5,
	"detail": {"say": "%s, since %s", "with": [{"is": "name", "words": "shelf 2"}, {"is": "clock", "time": "2025-01-14T01:01:00Z"}]},
	"due": "2025-01-14T02:01:00Z",
	"unknown_since": "2025-01-14T02:03:00Z",
	"want": "shelf 2 has said nothing since 02:00",
	"on": {"counted": 60000000000, "since": "2025-01-14T01:07:00Z"},
	"off": {"counted": 120000000000, "paused_at": "2025-01-14T01:08:00Z"},
	"activations": ["2025-01-14T00:01:00Z", "2025-01-14T01:01:00Z"],
	"chattering": true,
	"fleeting": true,
	"updated_at": "2025-01-14T01:09:00Z"
}`

// Records made by an earlier version are read by a later one: the groups of an
// alarm's fields leave no trace in its JSON.
func TestStoredAlarmIsFlat(t *testing.T) {
	var a alerts.Alarm
	if err := json.Unmarshal([]byte(storedAlarm), &a); err != nil {
		t.Fatal(err)
	}
	for _, f := range reflect.VisibleFields(reflect.TypeOf(a)) {
		if reflect.ValueOf(a).FieldByIndex(f.Index).IsZero() {
			t.Errorf("the stored alarm has nothing for %s", f.Name)
		}
	}
	got, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var want bytes.Buffer
	if err := json.Compact(&want, []byte(storedAlarm)); err != nil {
		t.Fatal(err)
	}
	if string(got) != want.String() {
		t.Errorf("read and written again it is\n%s\nwant\n%s", got, &want)
	}
}
