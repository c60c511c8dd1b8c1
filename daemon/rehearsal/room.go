// Package rehearsal holds invented rooms: a model of air, walls, plants,
// heater, humidifier, vent and door that behaves enough like a real rearing
// room to try alarms on and to show the program with. Nothing in it is
// measured; every number is a plausible assumption.
package rehearsal

import (
	"math"
	"time"

	"rearguard/sensors/air"
)

// Physical constants of the model, rounded: it is a rehearsal, not a building
// simulation.
const (
	airDensityKgPerM3       = 1.2
	airHeatJPerKgK          = 1006.0
	evaporationJPerG        = 2450.0
	pressurePa              = 101325.0
	molarRatioWaterAir      = 0.621945
	secondsPerHour          = 3600.0
	contentsHeatPerAirHeat  = 14.0 // cages, shelves and plants move with the air
	contentsWaterPerAirMass = 3.0  // leaves, soil and cloth hold vapour too
)

// Design is what a room is built of. Units are in the names.
type Design struct {
	VolumeM3 float64
	// WallWPerK is the heat loss from walls to outside, SurfaceWPerK the
	// exchange between air and walls, WallHeatJPerK what the walls store.
	WallWPerK, SurfaceWPerK, WallHeatJPerK float64
	// AirChangesPerHour is the leakage with door and vent closed.
	AirChangesPerHour float64
	// VentChangesPerHour is added while the vent is open.
	VentChangesPerHour float64
	HeaterW            float64
	HumidifierGPerS    float64
	TankG              float64
	// PlantGPerSPerKPa is what the plants give off per kilopascal of vapour
	// pressure deficit.
	PlantGPerSPerKPa float64
	// SunW is the gain through glass at noon.
	SunW float64
	// DayC and NightC are the heating set points, HumidityPercent that of the
	// humidifier, VentAboveC the temperature at which the vent opens.
	DayC, NightC, HumidityPercent, VentAboveC float64
}

// Fault is something that goes wrong with the equipment of a room.
type Fault uint16

// The faults, to be combined with |.
const (
	HeaterStuckOn Fault = 1 << iota
	HeaterDead
	HumidifierDead
	HumidifierStuckOn
	VentStuckOpen
	VentStuckShut
	DoorOpen
	PowerLost
)

// Room is the state of one invented room.
type Room struct {
	Design Design
	Faults Fault

	AirC, WallC  float64
	WaterKgPerKg float64
	TankG        float64
	heating      bool
	humidifying  bool
	venting      bool
}

// NewRoom returns a room at rest at its set points.
func NewRoom(d Design) *Room {
	r := &Room{Design: d, AirC: d.NightC, WallC: d.NightC - 2, TankG: d.TankG}
	r.WaterKgPerKg = waterAt(d.NightC, d.HumidityPercent)
	return r
}

// saturationPa is the saturation vapour pressure over water, held at the ends
// of the range the air package knows so that no fault can leave it.
func saturationPa(temperatureC float64) float64 {
	p, err := air.SaturationOverWaterPa(clamp(temperatureC, -20, 60))
	if err != nil {
		return 0
	}
	return p
}

// waterAt is the humidity ratio at a relative humidity.
func waterAt(temperatureC, percent float64) float64 {
	e := percent / 100 * saturationPa(temperatureC)
	return molarRatioWaterAir * e / (pressurePa - e)
}

// VaporPressurePa is the partial pressure of water vapour in the room.
func (r *Room) VaporPressurePa() float64 {
	return r.WaterKgPerKg * pressurePa / (molarRatioWaterAir + r.WaterKgPerKg)
}

// HumidityPercent is the relative humidity of the room, at most 100.
func (r *Room) HumidityPercent() float64 {
	return min(100, 100*r.VaporPressurePa()/saturationPa(r.AirC))
}

// VPDkPa is the vapour pressure deficit of the room in kPa.
func (r *Room) VPDkPa() float64 { return max(0, saturationPa(r.AirC)-r.VaporPressurePa()) / 1000 }

// DewPointC is the dew point of the room's air in °C.
func (r *Room) DewPointC() float64 {
	c, err := air.DewPointC(clamp(r.AirC, -20, 60), r.HumidityPercent())
	if err != nil {
		return -60
	}
	return c
}

// longestStep keeps the explicit integration stable for every design in use.
const longestStep = 10 * time.Second

// Step advances the room to the next instant. Outside is the weather,
// localHour the hour of the day for set points and sun.
func (r *Room) Step(dt time.Duration, outside Weather, localHour float64) {
	for dt > 0 {
		step := min(dt, longestStep)
		r.step(step.Seconds(), outside, localHour)
		dt -= step
	}
}

func (r *Room) step(seconds float64, outside Weather, localHour float64) {
	d := r.Design
	r.control(localHour)

	massKg := airDensityKgPerM3 * d.VolumeM3
	changes := d.AirChangesPerHour
	if r.venting {
		changes += d.VentChangesPerHour
	}
	if r.Faults&DoorOpen != 0 {
		changes += 12
	}
	exchange := changes / secondsPerHour * massKg // kg/s

	heat := d.SurfaceWPerK*(r.WallC-r.AirC) + exchange*airHeatJPerKgK*(outside.TemperatureC-r.AirC)
	heat += d.SunW * outside.Sun
	if r.heating {
		heat += d.HeaterW
	}

	waterG := d.PlantGPerSPerKPa * r.VPDkPa()
	if r.humidifying {
		g := min(d.HumidifierGPerS, r.TankG/seconds)
		waterG += g
		r.TankG -= g * seconds
	}
	heat -= waterG * evaporationJPerG

	r.AirC += heat * seconds / (massKg * airHeatJPerKgK * (1 + contentsHeatPerAirHeat))
	r.WallC += (d.SurfaceWPerK*(r.AirC-r.WallC) + d.WallWPerK*(outside.TemperatureC-r.WallC)) * seconds / d.WallHeatJPerK
	r.WaterKgPerKg += (waterG/1000 + exchange*(outside.WaterKgPerKg()-r.WaterKgPerKg)) * seconds / (massKg * (1 + contentsWaterPerAirMass))
	// What does not fit in the air, or meets a colder wall, becomes dew.
	r.WaterKgPerKg = min(r.WaterKgPerKg, waterAt(r.AirC, 100))
	if wall := waterAt(r.WallC, 100); r.WaterKgPerKg > wall {
		r.WaterKgPerKg -= (r.WaterKgPerKg - wall) * math.Min(1, seconds/600)
	}
}

// control is the room's own thermostat, humidistat and vent, each with a
// hysteresis, and what the faults make of them.
func (r *Room) control(localHour float64) {
	d := r.Design
	setC := d.NightC
	if localHour >= 7 && localHour < 20 {
		setC = d.DayC
	}
	r.heating = switched(r.heating, setC-r.AirC, 0.3)
	r.humidifying = switched(r.humidifying, d.HumidityPercent-r.HumidityPercent(), 2)
	r.venting = switched(r.venting, r.AirC-d.VentAboveC, 0.5)
	if r.Faults&HeaterStuckOn != 0 {
		r.heating = true
	}
	if r.Faults&(HeaterDead|PowerLost) != 0 {
		r.heating = false
	}
	if r.Faults&HumidifierStuckOn != 0 {
		r.humidifying = true
	}
	if r.Faults&(HumidifierDead|PowerLost) != 0 || r.TankG <= 0 {
		r.humidifying = false
	}
	if r.Faults&VentStuckOpen != 0 {
		r.venting = true
	}
	if r.Faults&(VentStuckShut|PowerLost) != 0 {
		r.venting = false
	}
}

// switched is a two-point controller: on when the want exceeds half the
// hysteresis, off when it falls below minus half of it.
func switched(on bool, want, hysteresis float64) bool {
	switch {
	case want > hysteresis/2:
		return true
	case want < -hysteresis/2:
		return false
	}
	return on
}
