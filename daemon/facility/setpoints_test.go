package facility_test

import (
	"errors"
	"strings"
	"testing"

	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
)

func TestSetPoints(t *testing.T) {
	file := func(points string) []byte {
		return []byte("facility: {name: a}\nbroker: {address: \"tcp://h:1\", client_id: c}\nrooms:\n  - id: hall\n    set_points: [" + points + "]\n")
	}
	f, err := facility.Parse("f.yaml", file(`{from: "07:00", celsius: 26}, {from: "19:30", celsius: 22.5}`))
	if err != nil {
		t.Fatal(err)
	}
	points := f.Rooms[0].SetPoints
	if hour, ok := points[1].Hour(); len(points) != 2 || points[0].Celsius != 26 || !ok || hour != 19.5 {
		t.Errorf("%+v", points)
	}
	for text, want := range map[string]string{
		`{from: "25:00", celsius: 26}`:                               "is not a time of day",
		`{from: "19:00", celsius: 26}, {from: "07:00", celsius: 22}`: "does not come after",
		`{from: "07:00", celsius: 26}, {from: "07:00", celsius: 22}`: "does not come after",
		`{from: "07:00"}`:               "celsius is missing",
		`{celsius: 22}`:                 "from is missing",
		`{from: "07:00", celsius: 260}`: "260 is impossible",
	} {
		_, err := facility.Parse("f.yaml", file(text))
		var faults strict.Faults
		if !errors.As(err, &faults) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
