package rehearsal

import (
	"bytes"
	_ "embed"
	"fmt"
	"math"
	"text/template"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

//go:embed facility.yaml
var facilityYAML string

// Addresses are what the demo's configuration must be told.
type Addresses struct {
	// Records is a file, Broker a broker URL, Pages the address of the
	// pages, Phone the webhook that stands for a phone, and SecretEnv the
	// environment variable with its signing secret.
	Records, Broker, Pages, Phone, SecretEnv string
}

// sensorSpec is one invented sensor.
type sensorSpec struct {
	ID       sensors.SensorID
	Room     sensors.RoomID
	Position string
	Topic    string
	// Plain sensors send bare numbers in °F and as a ratio on two topics,
	// the others one JSON message with the sensor's own time.
	Plain bool
	// WarmerC is how much warmer its place is than the middle of the room.
	WarmerC float64
}

var sensorSpecs = [...]sensorSpec{
	{ID: "nursery-upper", Room: "nursery", Position: "shelf 4, door side", Topic: "lantern/nursery/upper", WarmerC: 0.4},
	{ID: "nursery-lower", Room: "nursery", Position: "shelf 1, wall side", Topic: "lantern/nursery/lower", WarmerC: -0.5},
	{ID: "larva-east", Room: "larva-hall", Position: "table 2, east", Topic: "lantern/larva-hall/east", WarmerC: 0.2},
	{ID: "larva-west", Room: "larva-hall", Position: "table 6, west", Topic: "lantern/larva-hall/west", WarmerC: -0.2, Plain: true},
	{ID: "pupa-rack", Room: "pupa-room", Position: "hanging rack, middle", Topic: "lantern/pupa-room/rack"},
	{ID: "pupa-floor", Room: "pupa-room", Position: "floor, under the window", Topic: "lantern/pupa-room/floor", WarmerC: -0.6},
	{ID: "emergence-cage", Room: "emergence", Position: "cage 3", Topic: "lantern/emergence/cage"},
	{ID: "emergence-door", Room: "emergence", Position: "beside the door", Topic: "lantern/emergence/door", WarmerC: -0.3},
	{ID: "flight-canopy", Room: "flight-hall", Position: "canopy", Topic: "lantern/flight-hall/canopy", WarmerC: 0.8},
	{ID: "outdoor", Position: "north wall, shaded", Topic: "lantern/outdoor"},
}

// Configuration writes the demo's facility.yaml.
func Configuration(a Addresses) ([]byte, error) {
	t, err := template.New("facility.yaml").Parse(facilityYAML)
	if err != nil {
		return nil, fmt.Errorf("demo configuration: %w", err)
	}
	var out bytes.Buffer
	err = t.Execute(&out, struct {
		Addresses
		Sensors []sensorSpec
	}{a, sensorSpecs[:]})
	if err != nil {
		return nil, fmt.Errorf("demo configuration: %w", err)
	}
	return out.Bytes(), nil
}

// Heated is a room of a volume with heater, humidifier and vent to match, held
// at set points for day, night and humidity.
func Heated(volumeM3, dayC, nightC, percent float64) Design {
	return Design{
		VolumeM3: volumeM3, WallWPerK: 0.7 * math.Pow(volumeM3, 0.85) * 1.5, SurfaceWPerK: 8 * math.Pow(volumeM3, 0.85),
		WallHeatJPerK: 1e5 * volumeM3, AirChangesPerHour: 0.4, VentChangesPerHour: 8,
		HeaterW: 60 * volumeM3, HumidifierGPerS: 0.006 * volumeM3, TankG: 1500 * volumeM3,
		PlantGPerSPerKPa: 0.0008 * volumeM3, SunW: 5 * volumeM3,
		DayC: dayC, NightC: nightC, HumidityPercent: percent, VentAboveC: dayC + 3,
	}
}

// designs are the rooms of the invented facility.
func designs() map[sensors.RoomID]Design {
	return map[sensors.RoomID]Design{
		"nursery":     Heated(35, 26, 24, 78),
		"larva-hall":  Heated(90, 26, 23, 70),
		"pupa-room":   Heated(40, 25.5, 24, 80),
		"emergence":   Heated(30, 26, 25, 82),
		"flight-hall": Heated(400, 27, 22, 72),
	}
}

// Cohorts are the invented cohorts as they stand when the story begins.
func Cohorts(begin time.Time) []population.Cohort {
	cohort := func(id population.CohortID, sp species.ID, stage species.StageID, daysAgo float64, individuals int, room sensors.RoomID) population.Cohort {
		start := begin.Add(-time.Duration(daysAgo * 24 * float64(time.Hour))).Truncate(time.Minute)
		return population.Cohort{
			ID: id, Species: sp, Start: start, StartStage: stage, Individuals: individuals,
			Placements: []population.Placement{{Room: room, From: start}}, Note: "invented",
		}
	}
	return []population.Cohort{
		cohort("monarch-7", "danaus-plexippus", "egg", 2.4, 140, "nursery"),
		cohort("morpho-3", "morpho-peleides", "larva-2", 6, 60, "nursery"),
		cohort("postman-12", "heliconius-melpomene", "larva-3", 1.2, 85, "larva-hall"),
		cohort("monarch-5", "danaus-plexippus", "larva-5", 4.6, 90, "larva-hall"),
		cohort("owl-2", "caligo-memnon", "pupa", 11, 40, "pupa-room"),
		cohort("mormon-4", "papilio-polytes", "prepupa", 0.75, 70, "pupa-room"),
		cohort("monarch-4", "danaus-plexippus", "pupa", 5.6, 75, "emergence"),
	}
}
