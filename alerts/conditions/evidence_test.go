package conditions_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
	"rearguard/sensors"
	"rearguard/sensors/air"
)

// place is what a sensor says: °C and percent.
type place struct{ c, rh float64 }

// shelves is the state of a room with a sensor at each of some places, nil for
// one that says nothing.
func shelves(at time.Time, places ...*place) conditions.RoomState {
	in := room()
	in.Now, in.Blind, in.BlindSince = at, true, at
	in.Warmest, in.Coldest, in.Driest, in.Dampest, in.HighestVPD, in.Sensors = nil, nil, nil, nil, nil, nil
	in.Limits.MouldRisk, in.Limits.FastChange = &conditions.Limit{Value: 10}, &conditions.Limit{Value: 6}
	in.Surface = &conditions.Surface{BelowAirC: 3}
	in.Cohorts = []conditions.HeatCohort{{ID: "atlas-3", Stage: "pupa", Line: harm.Line{CTMaxC: 42, ZC: 3, BoundaryC: 33}}}
	var sumC, sumRH, n float64
	for i, p := range places {
		s := conditions.SensorState{ID: sensors.SensorID(fmt.Sprint("s", i)), Position: fmt.Sprint("shelf ", i), Interval: time.Minute, LastReading: at}
		if p == nil {
			s.LastReading = night
			in.Sensors = append(in.Sensors, s)
			continue
		}
		in.Blind, in.BlindSince = false, time.Time{}
		s.Temperature, s.Humidity = conditions.Measured{Value: p.c, Known: true}, conditions.Measured{Value: p.rh, Known: true}
		in.Sensors = append(in.Sensors, s)
		vpd, _ := air.VPDkPa(p.c, p.rh)
		worst := func(old **conditions.Point, value, sign float64) {
			if *old == nil || sign*value > sign*(*old).Value {
				*old = &conditions.Point{Value: value, Sensor: s.ID, Position: s.Position}
			}
		}
		worst(&in.Warmest, p.c, 1)
		worst(&in.Coldest, p.c, -1)
		worst(&in.Driest, p.rh, -1)
		worst(&in.Dampest, p.rh, 1)
		worst(&in.HighestVPD, vpd, 1)
		sumC, sumRH, n = sumC+p.c, sumRH+p.rh, n+1
	}
	if n > 0 {
		c, rh := sumC/n, sumRH/n
		in.TemperatureC, in.HumidityPercent = &c, &rh
	}
	return in
}

// trouble is how the first of two sensors shows each condition while the
// second is well.
var trouble = map[alerts.Condition]func(minute int) (first, second place){
	conditions.Heat:         steadily(place{36, 60}, place{28, 65}),
	conditions.HeatInjury:   steadily(place{38, 60}, place{28, 65}),
	conditions.Chill:        steadily(place{12, 70}, place{24, 70}),
	conditions.Drying:       steadily(place{30, 30}, place{26, 70}),
	conditions.Damp:         steadily(place{25, 96}, place{25, 70}),
	conditions.MouldRisk:    steadily(place{25, 98}, place{25, 60}),
	conditions.Condensation: steadily(place{19, 75}, place{26, 60}),
	conditions.FastChange: func(m int) (place, place) {
		return place{22 + 0.4*float64(max(0, m-1350)), 70}, place{24, 70}
	},
	conditions.HeatApproaching: func(m int) (place, place) {
		return place{22 + 0.1*float64(max(0, m-1350)), 70}, place{22 + 0.06*float64(max(0, m-1350)), 70}
	},
	conditions.ChillApproaching: func(m int) (place, place) {
		return place{28 - 0.1*float64(max(0, m-1350)), 70}, place{28 - 0.06*float64(max(0, m-1350)), 70}
	},
	conditions.SensorFault: func(m int) (place, place) {
		if m < 1350 {
			return place{25, 70}, place{25, 70}
		}
		return place{29, 70}, place{25, 70}
	},
	conditions.HeaterStuckOn: func(m int) (place, place) {
		// The shelves agree until the cause is told, for a difference between
		// them would make it unclear.
		c := 25 + 0.1*float64(max(0, m-1350))
		return place{c, 70}, place{c, 70}
	},
}

func steadily(first, second place) func(int) (place, place) {
	return func(int) (place, place) { return first, second }
}

// Each condition of a room that one sensor shows is held when that sensor
// falls silent, and over when it says so or a person took it away.
func TestFindingsRestOnTheirSensors(t *testing.T) {
	for c, air := range trouble {
		t.Run(string(c), func(t *testing.T) {
			var memory conditions.RoomMemory
			at, m := night, 0
			look := func(first, second *place, change func(*conditions.RoomState)) alerts.Observation {
				in := shelves(at, first, second)
				if change != nil {
					change(&in)
				}
				var found []alerts.Observation
				found, memory = judge(in, memory)
				at, m = at.Add(time.Minute), m+1
				if m < 1350 {
					return find(t, found, c)
				}
				text, err := json.Marshal(memory)
				if err != nil {
					t.Fatal(err)
				}
				memory = conditions.RoomMemory{}
				if err := json.Unmarshal(text, &memory); err != nil {
					t.Fatal(err)
				}
				for _, o := range found {
					if o.Key == (alerts.Key{Condition: c, Room: "nursery"}) {
						return o
					}
				}
				t.Fatalf("nothing found about %s", c)
				return alerts.Observation{}
			}
			// A day for what is usual, then on until it is found.
			var o alerts.Observation
			var last, well place
			for m < 1350 || o.Truth != alerts.True {
				if m > 1500 {
					t.Fatalf("the test does not show %s: %+v", c, o)
				}
				last, well = air(m)
				o = look(&last, &well, nil)
			}
			if c == conditions.HeaterStuckOn {
				for range 15 {
					last, _ = air(m)
					look(&last, &last, nil)
				}
				well = place{25, 70}
			}
			before := memory
			for range 90 {
				o = look(nil, &well, nil)
				if o.Truth == alerts.False {
					t.Fatalf("false %d min after its sensor fell silent", m)
				}
			}
			if o.Truth == alerts.Unknown && (!strings.Contains(o.Detail.String(), "shelf 0 (s0)") || !strings.Contains(o.Detail.String(), "since")) {
				t.Errorf("not known, and says %q", o.Detail.String())
			}
			silent := memory
			for range 60 {
				o = look(&well, &well, nil)
			}
			if o.Truth != alerts.False {
				t.Errorf("%v an hour after the sensor says that all is well: %s", o.Truth, o.Detail.String())
			}
			memory = silent
			o = look(nil, &well, func(in *conditions.RoomState) { in.Sensors[0].Away = true })
			if o.Truth == alerts.Unknown && strings.Contains(o.Detail.String(), "shelf 0") {
				t.Errorf("still rests on a sensor that a person has taken away: %s", o.Detail.String())
			}
			memory = before
			o = look(nil, nil, nil)
			if o.Truth != alerts.Unknown || o.Detail.String() == "" {
				t.Errorf("%v in a blind room, says %q", o.Truth, o.Detail.String())
			}
		})
	}
}

// The next stage bears what the last one did not: what a sensor said last then
// lies within the limit, and no longer speaks for harm.
func TestLostWitnessUnderAnotherLimit(t *testing.T) {
	var memory conditions.RoomMemory
	var found []alerts.Observation
	for m, limit := range []float64{33, 33, 40} {
		first := &place{36, 60}
		if m > 0 {
			first = nil
		}
		in := shelves(night.Add(time.Duration(m)*time.Minute), first, &place{28, 65})
		in.Limits.Heat = &conditions.Limit{Value: limit}
		found, memory = judge(in, memory)
		want := []alerts.Truth{alerts.True, alerts.Unknown, alerts.False}[m]
		if o := find(t, found, conditions.Heat); o.Truth != want {
			t.Errorf("minute %d, limit %v: %v, want %v: %s", m, limit, o.Truth, want, o.Detail.String())
		}
	}
}

// While a dose is not counted it says so, and since when.
func TestDosesSayThatTheyAreNotCounted(t *testing.T) {
	for c, want := range map[alerts.Condition]string{
		conditions.Drying:     "not counted since 02:10, 10 min counted so far",
		conditions.Damp:       "not counted since 02:10, 10 min counted so far",
		conditions.MouldRisk:  "not counted since 02:10, ",
		conditions.HeatInjury: "not counted since 02:10, 46 % of the lethal heat dose so far, cohort atlas-3 in pupa",
	} {
		for name, second := range map[string]*place{"one silent": {25, 60}, "blind": nil} {
			var memory conditions.RoomMemory
			var found []alerts.Observation
			for m := range 30 {
				first, _ := trouble[c](m)
				in := shelves(night.Add(time.Duration(m)*time.Minute), &first, &place{25, 60})
				if m > 10 {
					in = shelves(night.Add(time.Duration(m)*time.Minute), nil, second)
				}
				found, memory = judge(in, memory)
			}
			if o := find(t, found, c); o.Truth != alerts.Unknown || !strings.Contains(o.Detail.String(), want) {
				t.Errorf("%s, %s: %v %q, want it to say %q", c, name, o.Truth, o.Detail.String(), want)
			}
		}
	}
}
