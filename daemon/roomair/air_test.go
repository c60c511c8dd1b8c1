package roomair

import (
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/conditions"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// hung returns a desk with three sensors at as many places of a room, for
// which more than 30 °C is suspect.
func hung(t *testing.T) *desk.Desk {
	t.Helper()
	d := desk.New(desk.Rules{FutureTolerance: time.Minute, AgeLimit: time.Hour}, []sensors.RoomID{"room"})
	for _, id := range []sensors.SensorID{"door", "shelf", "vent"} {
		config := desk.Config{
			ID: id, Room: "room", Position: "at the " + string(id), Interval: 10 * time.Minute,
			Climate: func(q sensors.Quantity) []quality.Climate {
				if q != sensors.Temperature {
					return nil
				}
				return []quality.Climate{{Suspect: quality.Span{Low: 10, High: 30}}}
			},
		}
		for _, q := range []sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity} {
			config.Inputs = append(config.Inputs, payload.Spec{
				Format: payload.Plain, Topic: string(id) + "/" + q.String(), Values: []payload.ValueSpec{{Quantity: q}},
			})
		}
		if err := d.Add(config); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// says has a sensor publish a value.
func says(t *testing.T, d *desk.Desk, at time.Time, id sensors.SensorID, q sensors.Quantity, value float64) {
	t.Helper()
	d.Admit(sensors.Message{
		Topic: string(id) + "/" + q.String(), Payload: strconv.AppendFloat(nil, value, 'g', -1, 64), Received: at, Ack: func() {},
	}, at.Add(-time.Second))
	if err := d.Order(at, func(sensors.Series, time.Time) (bool, error) { return false, nil }); err != nil {
		t.Fatal(err)
	}
	d.Take(func(desk.Taken) {})
	d.Finish()
}

func point(value float64, id sensors.SensorID) *conditions.Point {
	return &conditions.Point{Value: value, Sensor: id, Position: "at the " + string(id)}
}

func TestAirOfNothing(t *testing.T) {
	d := hung(t)
	if diff := cmp.Diff(Air{}, AirOf(d.Room("room").Sensors, day)); diff != "" {
		t.Error(diff)
	}
	// A value that is not fresh any more is not shown as one.
	says(t, d, day, "door", sensors.Temperature, 21)
	if diff := cmp.Diff(Air{}, AirOf(d.Room("room").Sensors, day.Add(31*time.Minute))); diff != "" {
		t.Error(diff)
	}
}

// Extremes name the place where they are, medians are of all. Of places that
// are alike the first one is named, so that texts stay as they are.
func TestAirOfSeveralPlaces(t *testing.T) {
	d := hung(t)
	for i, c := range []struct {
		id sensors.SensorID
		q  sensors.Quantity
		v  float64
	}{
		{"door", sensors.Temperature, 21},
		{"shelf", sensors.Temperature, 25},
		{"vent", sensors.Temperature, 25},
		{"door", sensors.RelativeHumidity, 50},
		{"shelf", sensors.RelativeHumidity, 50},
		{"vent", sensors.RelativeHumidity, 60},
	} {
		says(t, d, day.Add(time.Duration(i)*time.Second), c.id, c.q, c.v)
	}
	temperature, humidity := 25.0, 50.0
	now := day.Add(time.Minute)
	want := Air{
		Warmest: point(25, "shelf"), Coldest: point(21, "door"), Dampest: point(60, "vent"), Driest: point(50, "door"),
		TemperatureC: &temperature, HumidityPercent: &humidity, Updated: day.Add(2 * time.Second), Usable: 3,
	}
	got := AirOf(d.Room("room").Sensors, now)
	if got.HighestVPD == nil || got.HighestVPD.Sensor != "shelf" {
		t.Fatalf("highest deficit %+v, want that of the shelf", got.HighestVPD)
	}
	// Saturation at 25 °C is 3169.9 Pa (Wagner & Pruss 1993).
	if v := got.HighestVPD.Value; v < 1.5848 || v > 1.5851 {
		t.Errorf("highest deficit %v kPa, want half of 3.1699", v)
	}
	got.HighestVPD = nil
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	warmest, coldest := ExtremesOf(d.Room("room").Sensors, now)
	if diff := cmp.Diff([]*conditions.Point{want.Warmest, want.Coldest}, []*conditions.Point{warmest, coldest}); diff != "" {
		t.Error(diff)
	}
}

// A value that is hard to believe may be true: it counts for harm, and not for
// the middle. One above saturation dries nothing.
func TestAirOfASuspectSensor(t *testing.T) {
	d := hung(t)
	says(t, d, day, "vent", sensors.Temperature, 35)
	says(t, d, day.Add(time.Second), "door", sensors.RelativeHumidity, 101.5)
	now := day.Add(time.Minute)
	humidity := 101.5
	want := Air{
		Warmest: point(35, "vent"), Coldest: point(35, "vent"), Driest: point(101.5, "door"), Dampest: point(101.5, "door"),
		HumidityPercent: &humidity,
	}
	if diff := cmp.Diff(want, AirOf(d.Room("room").Sensors, now)); diff != "" {
		t.Error(diff)
	}
	says(t, d, now, "door", sensors.Temperature, 22)
	a := AirOf(d.Room("room").Sensors, now)
	if a.TemperatureC == nil || *a.TemperatureC != 22 || a.Usable != 1 || *a.Warmest != *point(35, "vent") {
		t.Errorf("air %+v, want 22 °C by one sensor and 35 °C at the vent", a)
	}
	if a.HighestVPD == nil || *a.HighestVPD != *point(0, "door") {
		t.Errorf("highest deficit %+v, want none at the door", a.HighestVPD)
	}
}
