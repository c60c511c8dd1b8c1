package dashtest

import (
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/performance"
	"rearguard/daemon/limits"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Now is the engine's time in the hand-made snapshots.
var now = time.Date(2026, 5, 14, 9, 26, 40, 0, time.UTC)

// Now returns the engine's time in the hand-made snapshots.
func Now() time.Time { return now }

func ptr(v float64) *float64 { return &v }

// Sample returns a facility on a busy morning: a hot nursery, a blind
// emergence room, a room with one sensor, six cohorts.
func Sample() *snapshot.Snapshot {
	return &snapshot.Snapshot{
		Time: now, Site: snapshot.Site{
			Facility: "Hall of Wings", Invented: true, Location: time.FixedZone("CEST", 2*3600)},
		Rooms: sampleRooms(), Picture: desk.Picture{
			Sensors: sampleSensors(),
			Messages: []desk.MessageTotal{
				{Outcome: "stored", Count: 1204512}, {Outcome: "duplicate", Count: 14}, {Outcome: "undecodable", Count: 3},
			},
			Rejected: []desk.Rejected{
				{Time: now.Add(-4 * time.Minute), Topic: "hall/nursery/north", Outcome: "undecodable", Reason: "value is not a number", Excerpt: `"unavailable"`},
			}}, Cohorts: sampleCohorts(),
		Knowledge: snapshot.Knowledge{
			Species: sampleSpecies()}, Alarms: sampleAlarms(), Incidents: sampleIncidents(sampleAlarms()),
		Broker: snapshot.Link{Address: "tcp://127.0.0.1:1883", Connected: true, Subscribed: true, Since: now.Add(-50 * time.Hour), CertificateEnds: now.Add(90 * 24 * time.Hour)},
		Store:  snapshot.Store{Path: "rearguard.db", OK: true},
		Notices: []snapshot.NoticeTotal{
			{Channel: "mail", Outcome: notify.Delivered, Count: 12}, {Channel: "webhook", Outcome: notify.Dead, Count: 1},
		},
		Pending: 1, Overdue: 1,
		Proof: snapshot.Proof{At: now.Add(-10 * time.Minute), Missing: []string{"urgent notices are overdue: 1"}, Told: now.Add(-11 * time.Minute)},
		Failing: []circuit.State{
			{Channel: "webhook", Failures: 4, Since: now.Add(-9 * time.Minute), Last: now.Add(-2 * time.Minute), Problem: "call webhook: connection refused"},
		},
		AlarmTotals: performance.Totals{Annunciations: []performance.Annunciation{{Condition: "heat", Priority: alerts.Critical, Count: 4}}},
	}
}

func sampleRooms() []snapshot.Room {
	return []snapshot.Room{
		{
			ID: "nursery", Name: "Nursery",
			Temperature: ptr(33.6), Coldest: ptr(33.1), Warmest: ptr(34.2),
			Humidity: ptr(48), Driest: ptr(46), Dampest: ptr(51), VPDkPa: ptr(2.71), DewPointC: ptr(20.8),
			Updated: now.Add(-12 * time.Second), UsableSensors: 3, TotalSensors: 3,
			Limits: []limits.View{
				{Condition: "heat", Value: 32, Unit: "°C", SetBy: "cohort dp-0412", Assumed: false},
				{Condition: "chill", Value: 18, Unit: "°C", SetBy: "facility default", Assumed: true},
			},
			Recent: curve(27, 2.4, 62, 0, 6.5),
		},
		{
			ID: "glasshouse", Name: "Glasshouse",
			Temperature: ptr(26.1), Coldest: ptr(26.1), Warmest: ptr(26.1),
			Humidity: ptr(74), Driest: ptr(74), Dampest: ptr(74), VPDkPa: ptr(0.88), DewPointC: ptr(21.1),
			Updated: now.Add(-48 * time.Second), UsableSensors: 1, TotalSensors: 1,
			Recent: curve(24.5, 3.1, 76, 5, 0),
		},
		{
			ID: "emergence", Name: "Emergence room", Blind: true,
			Updated: now.Add(-47 * time.Minute), UsableSensors: 0, TotalSensors: 2,
			Recent: curve(25, 1, 70, 9, 0)[:260],
		},
		{
			ID: "pupae", Name: "Pupae cabinet",
			Temperature: ptr(24.8), Coldest: ptr(24.6), Warmest: ptr(25.0),
			Humidity: ptr(81), Driest: ptr(80), Dampest: ptr(82), VPDkPa: ptr(0.59), DewPointC: ptr(21.3),
			Updated: now.Add(-31 * time.Second), UsableSensors: 2, TotalSensors: 3,
			Recent: curve(24.8, 0.4, 80, 2, 0),
		},
	}
}

// curve is a day of points every five minutes with a diurnal swing, a gap of
// gap hours in the middle, and a rise at the end.
func curve(mean, swing, humidity, gap, rise float64) []snapshot.RecentPoint {
	var points []snapshot.RecentPoint
	for i := 0; i <= 288; i++ {
		hour := float64(i) / 12
		p := snapshot.RecentPoint{Time: now.Add(time.Duration(i-288) * 5 * time.Minute)}
		if math.Abs(hour-12) >= gap/2 {
			warm := swing * math.Sin((hour-3)*2*math.Pi/24)
			late := rise * math.Max(0, (hour-20)/4)
			p.Temperature = ptr(mean + warm + late)
			p.Humidity = ptr(math.Min(100, humidity-3*warm-2*late))
		}
		points = append(points, p)
	}
	return points
}

func reading(sensor string, q sensors.Quantity, value float64, age time.Duration, flag sensors.Flag) sensors.Reading {
	return sensors.Reading{
		Series: sensors.Series{Sensor: sensors.SensorID(sensor), Quantity: q},
		Time:   now.Add(-age), Arrival: now.Add(-age), Raw: value, Value: value, Flag: flag,
	}
}

func sampleSensors() []desk.View {
	view := func(id, room, position string, age time.Duration, flag sensors.Flag, t, h float64) desk.View {
		return desk.View{
			ID: sensors.SensorID(id), Room: sensors.RoomID(room), Position: position, Topic: "hall/" + room + "/" + id,
			LastReading: now.Add(-age), ExpectedInterval: 30 * time.Second, Flag: flag,
			Values: []sensors.Reading{
				reading(id, sensors.Temperature, t, age, flag), reading(id, sensors.RelativeHumidity, h, age, flag),
			},
		}
	}
	n := view("nursery-north", "nursery", "shelf 2, north wall", 12*time.Second, sensors.Pass, 34.2, 46)
	n.Values = append(n.Values, reading("nursery-north", sensors.Battery, 17, 12*time.Second, sensors.Pass),
		reading("nursery-north", sensors.SignalStrength, -71, 12*time.Second, sensors.Pass))
	silent := desk.View{
		ID: "emergence-door", Room: "emergence", Position: "beside the door", Topic: "hall/emergence/door",
		LastReading: now.Add(-47 * time.Minute), Silent: true, ExpectedInterval: 30 * time.Second, Flag: sensors.Missing,
	}
	never := desk.View{ID: "emergence-cage", Room: "emergence", Position: "cage 3", Topic: "hall/emergence/cage3", Silent: true, Flag: sensors.Missing}
	return []desk.View{
		n, view("nursery-south", "nursery", "shelf 5, south wall", 14*time.Second, sensors.Pass, 33.6, 48),
		view("nursery-floor", "nursery", "floor", 20*time.Second, sensors.NotEvaluated, 33.1, 51),
		view("glasshouse-mid", "glasshouse", "middle, 1.5 m", 48*time.Second, sensors.Pass, 26.1, 74),
		silent, never,
		view("pupae-top", "pupae", "top shelf", 31*time.Second, sensors.Pass, 25.0, 80),
		view("pupae-low", "pupae", "bottom shelf", 31*time.Second, sensors.Pass, 24.6, 82),
		view("pupae-old", "pupae", "middle shelf", 33*time.Second, sensors.Suspect, 24.8, 100),
	}
}

var monarchStages = []snapshot.StageName{
	{ID: "egg", Name: "egg"}, {ID: "larva-1", Name: "larva, 1st instar"}, {ID: "larva-2", Name: "larva, 2nd instar"},
	{ID: "larva-3", Name: "larva, 3rd instar"}, {ID: "larva-4", Name: "larva, 4th instar"}, {ID: "larva-5", Name: "larva, 5th instar"},
	{ID: "prepupa", Name: "prepupa"}, {ID: "pupa", Name: "pupa"}, {ID: "adult", Name: "adult"},
}

func sampleSpecies() []snapshot.Species {
	list := func(id, name string, assumed bool) snapshot.Species {
		return snapshot.Species{ID: species.ID(id), Name: name, Assumed: assumed, Stages: append([]snapshot.StageName(nil), monarchStages...)}
	}
	peacock := list("aglais-io", "Peacock butterfly", false)
	peacock.ScientificName = "Aglais io"
	return []snapshot.Species{
		peacock, list("danaus-plexippus", "Danaus plexippus", false), list("heliconius-melpomene", "Heliconius melpomene", true),
		list("morpho-peleides", "Morpho peleides", true), list("pieris-brassicae", "Pieris brassicae", false),
	}
}
