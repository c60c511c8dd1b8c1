package conditions_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
	"rearguard/alerts/wording"
	"rearguard/alerts/wording/wordingtest"
)

// Whatever happens to a room, what is found can be told in German and °F.
func TestFindingsCanBeToldInGerman(t *testing.T) {
	german := wording.Reader{Language: wording.German, Scale: wording.Fahrenheit}
	told := map[string]bool{}
	rapid.Check(t, func(rt *rapid.T) {
		perHour := rapid.Float64Range(-12, 12).Draw(rt, "per hour")
		dryness := rapid.Float64Range(-40, 40).Draw(rt, "humidity per hour")
		from := rapid.Float64Range(15, 36).Draw(rt, "from")
		blindFrom := rapid.IntRange(0, 120).Draw(rt, "blind from")
		silentFrom := rapid.IntRange(0, 120).Draw(rt, "silent from")
		fault := rapid.SampledFrom([]string{"", "temperature is hard to believe", "humidity cannot be right"}).Draw(rt, "fault")
		surface := rapid.Float64Range(0, 12).Draw(rt, "surface")
		air := func(minute int) (float64, float64) {
			return from + perHour*float64(minute)/60, max(5, min(99, 60+dryness*float64(minute)/60))
		}
		out := course(t, 90, air, func(minute int, in *conditions.RoomState) {
			c, rh := air(minute)
			in.Surface = &conditions.Surface{BelowAirC: surface}
			in.Limits.DaySwing, in.Limits.FastChange = &conditions.Limit{Value: 4}, &conditions.Limit{Value: 3, SetBy: "common practice", Assumed: true}
			in.Limits.MouldRisk = &conditions.Limit{Value: 5, SetBy: "the room's own limits in the configuration"}
			in.Cohorts = []conditions.HeatCohort{{ID: "atlas-3", Stage: "pupa", Line: harm.Line{CTMaxC: 42, ZC: 3, BoundaryC: 33}, Assumed: true}}
			s := &in.Sensors[0]
			s.Temperature, s.Humidity = conditions.Measured{Value: c, Known: true}, conditions.Measured{Value: rh, Known: true}
			s.LastReading, s.Fault = in.Now.Add(-time.Minute), fault
			in.HighestVPD = point(5 * (1 - rh/100))
			if minute >= silentFrom {
				s.LastReading, s.Temperature, s.Humidity = night.Add(time.Duration(silentFrom)*time.Minute), conditions.Measured{}, conditions.Measured{}
			}
			if minute >= blindFrom {
				in.Blind, in.BlindSince = true, night.Add(time.Duration(blindFrom)*time.Minute)
				in.TemperatureC, in.HumidityPercent, in.Warmest, in.Coldest, in.Driest, in.Dampest, in.HighestVPD = nil, nil, nil, nil, nil, nil, nil
			}
		})
		for _, found := range out {
			for _, o := range found {
				words := german.Say(o.Detail)
				if english := wordingtest.EnglishIn(words, "room nursery"); len(english) > 0 || strings.Contains(words, "°C") {
					rt.Fatalf("%s: English %q or °C in %q", o.Key, english, words)
				}
				if words != "" {
					told[string(o.Key.Condition)] = true
				}
			}
		}
	})
	if len(told) < 12 {
		t.Errorf("only %d conditions had something to say: %v", len(told), told)
	}
}
