package incidents

import (
	"math"
	"math/rand/v2"
	"time"

	"rearguard/daemon/rehearsal"
	"rearguard/sensors/air"
)

// World says of which model the rooms are. Thresholds may be chosen by the first
// and by the development variant of the second; the second is only looked at.
type World string

// The worlds. The second is of another order, has other controllers and is
// measured by other sensors than the first, and its variants have other
// dimensions.
const (
	First             World = "first"
	SecondDevelopment World = "second, development"
	Second            World = "second"
)

// every is how often sensors report in a world.
func (w World) every() time.Duration {
	if w == First {
		return time.Minute
	}
	return 2 * time.Minute
}

// Physical constants of the second model, rounded.
const (
	airKgPerM3    = 1.2
	airJPerKgK    = 1006.0
	waterJPerG    = 2450.0
	seaLevelPa    = 101325.0
	vaporAirMolar = 0.622
	// secondStep keeps the explicit integration stable.
	secondStep = 5 * time.Second
)

// secondRoom is a rearing room with radiators on a water circuit behind a
// valve that follows the temperature (proportional and integral, no hysteresis),
// a wet-pad humidifier, balanced ventilation with heat recovery, walls of two
// layers, shelves that lag behind the air, and soil and wood that take up and
// give off vapour. Its door leads to a corridor. Every number is an assumption.
type secondRoom struct {
	radiatorC, shelvesC, outerC float64 // °C
	soil                        float64 // humidity ratio with which soil and wood are in balance, kg/kg
	integral                    float64
	misting                     bool

	volumeM3 float64
	shell    shell
	plant    plant
}

// shell is what a room is built of, with J for J/K and W for W/K.
type shell struct {
	surfaceW, shelvesW, wallW, outsideW float64
	innerJ, outerJ, shelvesJ            float64
	soilSeconds                         float64
	doorChanges, corridorShare          float64
	corridorC                           float64
}

// plant is what conditions its air.
type plant struct {
	heaterW, radiatorJ       float64 // W at full flow, J/K
	valveBandK, valveSeconds float64
	ventilation, recovery    float64 // changes an hour while there is power; share of the heat that stays
	humidistatBand           float64 // percent of relative humidity
	morning, evening         float64 // hours between which it is day
}

// newSecondRoom draws a room of a variant and its design.
func newSecondRoom(world World, rng *rand.Rand, dayC, nightC, percent float64) (*rehearsal.Room, *secondRoom) {
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	volume := between(25, 55)
	if world == Second {
		volume = between(45, 130)
	}
	size := math.Pow(volume, 0.85)
	s := &secondRoom{volumeM3: volume, shell: shell{
		surfaceW: 6 * size, shelvesW: 4 * size, wallW: 3 * size,
		innerJ: between(30e3, 60e3) * volume, outerJ: between(60e3, 120e3) * volume, shelvesJ: between(10e3, 25e3) * volume,
		doorChanges: between(6, 10), corridorC: between(15, 19), soilSeconds: between(1800, 4000),
	}}
	h, p := &s.shell, &s.plant
	if world == Second {
		h.outsideW, p.valveBandK, p.valveSeconds = between(0.7, 1.1)*size, between(1, 2.5), between(1500, 4500)
		p.ventilation, p.recovery, p.humidistatBand = between(0.3, 0.8), between(0.5, 0.8), between(3, 7)
		h.corridorShare, p.morning, p.evening = between(0.2, 0.6), 8, 22
	} else {
		h.outsideW, p.valveBandK, p.valveSeconds = between(0.9, 1.4)*size, between(0.8, 1.6), between(1000, 2500)
		p.ventilation, p.recovery, p.humidistatBand = between(0.2, 0.5), between(0.4, 0.6), between(3, 5)
		h.corridorShare, p.morning, p.evening = between(0.3, 0.5), 6, 20
	}
	d := rehearsal.Design{
		VolumeM3: volume, AirChangesPerHour: between(0.1, 0.25), VentChangesPerHour: between(4, 7), HeaterW: between(40, 60) * volume,
		HumidifierGPerS: between(0.006, 0.010) * volume, TankG: 1500 * volume, PlantGPerSPerKPa: between(0.0003, 0.0009) * volume,
		SunW: between(0.5, 2) * volume, DayC: dayC, NightC: nightC, HumidityPercent: percent, VentAboveC: dayC + 3,
	}
	p.heaterW, p.radiatorJ = d.HeaterW, d.HeaterW/25*between(500, 1300)
	r := rehearsal.NewRoom(d)
	s.radiatorC, s.shelvesC, s.outerC, s.soil = r.AirC+5, r.AirC, r.AirC-8, r.WaterKgPerKg
	return r, s
}

// vaporPa is the saturation vapour pressure over water.
func vaporPa(c float64) float64 {
	p, err := air.SaturationOverWaterPa(min(60, max(-20, c)))
	if err != nil {
		return 0
	}
	return p
}

// step moves a room on, whose air and inner wall are those of r.
func (s *secondRoom) step(r *rehearsal.Room, dt time.Duration, outside rehearsal.Weather, hour float64) {
	for dt > 0 {
		span := min(dt, secondStep)
		s.move(r, span.Seconds(), outside, hour)
		dt -= span
	}
}

func (s *secondRoom) move(r *rehearsal.Room, seconds float64, outside rehearsal.Weather, hour float64) {
	d, unpowered := &r.Design, r.Faults&rehearsal.PowerLost != 0
	massKg := airKgPerM3 * s.volumeM3
	valve, venting := s.control(r, seconds, hour)

	// Air that comes in, by where from, in kg/s.
	leak, ducts, door := d.AirChangesPerHour+d.VentChangesPerHour*venting, s.plant.ventilation, 0.0
	if unpowered {
		ducts = 0
	}
	if r.Faults&rehearsal.DoorOpen != 0 {
		door = s.shell.doorChanges
	}
	perChange := massKg / 3600
	beside := s.shell.corridorShare*s.shell.corridorC + (1-s.shell.corridorShare)*outside.TemperatureC
	// The corridor's air comes from outdoors in the end.
	heat := airJPerKgK * perChange * ((leak+ducts*(1-s.plant.recovery))*(outside.TemperatureC-r.AirC) + door*(beside-r.AirC))
	water := perChange * (leak + ducts + door) * (outside.WaterKgPerKg() - r.WaterKgPerKg)

	emitted := s.plant.heaterW / 25 * (s.radiatorC - r.AirC)
	grams := d.PlantGPerSPerKPa * r.VPDkPa()
	if s.misting {
		pad := min(d.HumidifierGPerS*min(1.5, r.VPDkPa()/0.8), r.TankG/seconds)
		grams += pad
		r.TankG -= pad * seconds
	}
	fromSoil := massKg / s.shell.soilSeconds * (s.soil - r.WaterKgPerKg)
	toWall, toShelves := s.shell.surfaceW*(r.AirC-r.WallC), s.shell.shelvesW*(r.AirC-s.shelvesC)
	heat += emitted + 0.3*d.SunW*outside.Sun - toWall - toShelves - grams*waterJPerG
	between := s.shell.wallW * (r.WallC - s.outerC)

	r.AirC += heat * seconds / (massKg * airJPerKgK * 3)
	s.radiatorC = min(65, s.radiatorC+(1.2*d.HeaterW*valve-emitted)*seconds/s.plant.radiatorJ)
	s.shelvesC += (toShelves + 0.7*d.SunW*outside.Sun) * seconds / s.shell.shelvesJ
	r.WallC += (toWall - between) * seconds / s.shell.innerJ
	s.outerC += (between + s.shell.outsideW*(outside.TemperatureC-s.outerC)) * seconds / s.shell.outerJ
	r.WaterKgPerKg = max(1e-4, r.WaterKgPerKg+(grams/1000+water+fromSoil)*seconds/(massKg*1.5))
	s.soil -= fromSoil * seconds / (massKg * 8)
	// On a colder wall water condenses.
	full := func(c float64) float64 { e := vaporPa(c); return vaporAirMolar * e / (seaLevelPa - e) }
	r.WaterKgPerKg = min(r.WaterKgPerKg, full(r.AirC))
	if wall := full(r.WallC); r.WaterKgPerKg > wall {
		r.WaterKgPerKg -= (r.WaterKgPerKg - wall) * min(1, seconds/900)
	}
}

// control is the valve, 0 to 1, and how far the vent is open; and sets the
// humidifier.
func (s *secondRoom) control(r *rehearsal.Room, seconds, hour float64) (valve, venting float64) {
	d, has := &r.Design, func(f rehearsal.Fault) bool { return r.Faults&f != 0 }
	// The set point moves within an hour and not at once.
	share := min(1, max(0, min(hour-s.plant.morning, s.plant.evening+1-hour)))
	want := d.NightC + (d.DayC-d.NightC)*share - r.AirC
	s.integral = min(1, max(0, s.integral+want/s.plant.valveBandK*seconds/s.plant.valveSeconds))
	valve = min(1, max(0, want/s.plant.valveBandK+s.integral))
	venting = min(1, max(0, (r.AirC-d.VentAboveC)/2))
	percent := r.HumidityPercent()
	s.misting = percent < d.HumidityPercent-s.plant.humidistatBand/2 || s.misting && percent < d.HumidityPercent+s.plant.humidistatBand/2
	if has(rehearsal.HeaterStuckOn) {
		valve = 1
	}
	if has(rehearsal.HeaterDead | rehearsal.PowerLost) {
		valve = 0
	}
	s.misting = s.misting || has(rehearsal.HumidifierStuckOn)
	s.misting = s.misting && !has(rehearsal.HumidifierDead|rehearsal.PowerLost) && r.TankG > 0
	if has(rehearsal.VentStuckOpen) {
		venting = 1
	}
	if has(rehearsal.VentStuckShut | rehearsal.PowerLost) {
		venting = 0
	}
	return valve, venting
}

// secondProbe is a sensor in a plastic housing: slower than that of the first
// world, with noise that lasts, and coarse steps.
type secondProbe struct {
	rng                *rand.Rand
	offsetC, offsetRH  float64
	lagC, lagRH        float64
	wanderC, wanderRH  float64
	secondsC, secondsR float64
	started            bool
}

func newSecondProbe(seed uint64) *secondProbe {
	rng := rand.New(rand.NewPCG(seed, 0x2d0b))
	return &secondProbe{
		rng: rng, offsetC: rng.Float64() - 0.5, offsetRH: 4*rng.Float64() - 2,
		secondsC: 120 + 240*rng.Float64(), secondsR: 150 + 250*rng.Float64(),
	}
}

// Read is what it reports dt after its last report, in steps of 0.1 °C and 0.5 %.
func (p *secondProbe) Read(dt time.Duration, airC, percent float64) (float64, float64) {
	if !p.started {
		p.lagC, p.lagRH, p.started = airC, percent, true
	}
	s := dt.Seconds()
	p.lagC += (airC - p.lagC) * (1 - math.Exp(-s/p.secondsC))
	p.lagRH += (percent - p.lagRH) * (1 - math.Exp(-s/p.secondsR))
	p.wanderC = 0.8*p.wanderC + 0.04*p.rng.NormFloat64()
	p.wanderRH = 0.8*p.wanderRH + 0.3*p.rng.NormFloat64()
	return math.Round(10*(p.lagC+p.offsetC+p.wanderC)) / 10, math.Round(2*min(100, max(0, p.lagRH+p.offsetRH+p.wanderRH))) / 2
}
