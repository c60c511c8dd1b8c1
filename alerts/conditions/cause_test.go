package conditions_test

import (
	"math"
	"strings"
	"testing"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/sensors/air"
)

// left is a room that has been held for a day at 25 °C and 65 %, and whose
// temperature and moisture, as a share of itself, change from then on.
func left(t *testing.T, minutes int, perHourC, moisturePerHour float64, change func(int, *conditions.RoomState)) [][]alerts.Observation {
	t.Helper()
	const day = 24 * 60
	saturation := func(c float64) float64 {
		p, err := air.SaturationOverWaterPa(c)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	return course(t, day+minutes, func(m int) (float64, float64) {
		wobble := math.Sin(2 * math.Pi * float64(m) / 40)
		if m < day {
			return 25 + 0.2*wobble, 65 + wobble
		}
		hours := float64(m-day) / 60
		c := 25 + perHourC*hours
		vapour := 0.65 * saturation(25) * (1 + moisturePerHour*hours)
		return c, 100 * vapour / saturation(c)
	}, change)[day:]
}

// first is the first minute in which a condition is true, -1 for none.
func first(t *testing.T, out [][]alerts.Observation, c alerts.Condition) int {
	t.Helper()
	for minute, found := range out {
		if find(t, found, c).Truth == alerts.True {
			return minute
		}
	}
	return -1
}

// When each shape is told, and in which words: as soon as it has had time to
// form, and what cools once the last cycle of the humidifier is out of sight.
func TestCauseIsToldOnceItHasFormed(t *testing.T) {
	for _, c := range []struct {
		name                      string
		perHourC, moisturePerHour float64
		outdoorC, outdoorPerHour  float64
		want                      alerts.Condition
		minute                    int
		words                     string
	}{
		{"cools, and moisture is held", -5, 0, 5, 0, conditions.HeatingWeak, 39, "temperature -5.0 °C/h, moisture +0 %/h, since 02:11"},
		{"cools and dries slowly", -5, -0.05, 5, 0, conditions.HeatingWeak, 39, "moisture -5 %/h; the power may be gone as well, since 02:11"},
		{"cools and dries fast", -5, -0.4, 5, 0, conditions.DoorOpen, 31, "moisture -47 %/h, faster than a closed room can dry, since 02:11"},
		{"dries", 0, -0.1, 5, 0, conditions.HumidifierExhausted, 49, "temperature +0.0 °C/h, moisture -11 %/h, since 02:41"},
		{"warms", 4, 0, 5, 0, conditions.HeaterStuckOn, 21, "temperature +4.0 °C/h, moisture +0 %/h, since 02:13"},
		{"warms with the air outdoors", 4, 0, 22, 4, conditions.HeaterStuckOn, -1, ""},
		{"warms above the air outdoors", 4, 0, 22, 0, conditions.HeaterStuckOn, 21, "since 02:13"},
		{"warms and dries", 4, -0.1, 5, 0, conditions.HeaterStuckOn, -1, ""},
		{"dries while it warms", 1.5, -0.12, 5, 0, conditions.HumidifierExhausted, -1, ""},
		{"dries hardly", 0, -0.045, 5, 0, conditions.HumidifierExhausted, -1, ""},
		{"moistens", 0, 0.1, 5, 0, conditions.HumidifierExhausted, -1, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := left(t, 90, c.perHourC, c.moisturePerHour, func(minute int, in *conditions.RoomState) {
				outdoors := c.outdoorC + c.outdoorPerHour*max(0, float64(minute-24*60))/60
				in.OutdoorC = &outdoors
			})
			minute := first(t, out, c.want)
			if minute != c.minute {
				t.Fatalf("%s is told after %d min, want %d", c.want, minute, c.minute)
			}
			if minute >= 0 && !strings.Contains(find(t, out[minute], c.want).Detail.String(), c.words) {
				t.Errorf("it says %q, want %q", find(t, out[minute], c.want).Detail.String(), c.words)
			}
		})
	}
}
