package rehearsal

import (
	"testing"
	"time"
)

// testDesign is a small heated nursery.
var testDesign = Design{
	VolumeM3: 40, WallWPerK: 35, SurfaceWPerK: 300, WallHeatJPerK: 4e6,
	AirChangesPerHour: 0.5, VentChangesPerHour: 8, HeaterW: 2000,
	HumidifierGPerS: 0.25, TankG: 60000, PlantGPerSPerKPa: 0.03, SunW: 200,
	DayC: 26, NightC: 22, HumidityPercent: 75, VentAboveC: 29,
}

// run steps a room for some hours and returns its extremes in the last ones.
func run(r *Room, hours, watch int) (minC, maxC, minPercent, maxPercent float64) {
	start := time.Date(2026, 2, 3, 0, 0, 0, 0, time.UTC)
	climate := NewClimate(7)
	minC, minPercent = 99, 999
	for i := range hours * 60 {
		now := start.Add(time.Duration(i) * time.Minute)
		r.Step(time.Minute, climate.At(now), float64(now.Hour()))
		if i >= (hours-watch)*60 {
			minC, maxC = min(minC, r.AirC), max(maxC, r.AirC)
			minPercent, maxPercent = min(minPercent, r.HumidityPercent()), max(maxPercent, r.HumidityPercent())
		}
	}
	return minC, maxC, minPercent, maxPercent
}

func TestSoundRoomKeepsItsSetPoints(t *testing.T) {
	minC, maxC, minPercent, maxPercent := run(NewRoom(testDesign), 72, 48)
	if minC < 21 || maxC > 28 || minPercent < 65 || maxPercent > 90 {
		t.Errorf("a sound room ranges %.1f to %.1f °C and %.0f to %.0f %%", minC, maxC, minPercent, maxPercent)
	}
}

func TestFaultsHaveTheirEffect(t *testing.T) {
	soundMin, soundMax, soundDry, _ := run(NewRoom(testDesign), 48, 12)
	for name, c := range map[string]struct {
		fault Fault
		seen  func(minC, maxC, minPercent, maxPercent float64) bool
	}{
		"heater stuck on":     {HeaterStuckOn, func(_, maxC, _, _ float64) bool { return maxC > soundMax+3 }},
		"heater dead":         {HeaterDead, func(minC, _, _, _ float64) bool { return minC < soundMin-4 }},
		"humidifier dead":     {HumidifierDead, func(_, _, lo, _ float64) bool { return lo < soundDry-15 }},
		"humidifier stuck on": {HumidifierStuckOn, func(_, _, _, hi float64) bool { return hi > 90 }},
		"power lost":          {PowerLost, func(minC, _, lo, _ float64) bool { return minC < soundMin-4 && lo < 100 }},
	} {
		r := NewRoom(testDesign)
		r.Faults = c.fault
		if minC, maxC, lo, hi := run(r, 48, 12); !c.seen(minC, maxC, lo, hi) {
			t.Errorf("%s: %.1f to %.1f °C, %.0f to %.0f %%", name, minC, maxC, lo, hi)
		}
	}
}
