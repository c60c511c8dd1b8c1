// Package faults measures how well the quality tests find faults: it
// simulates rooms and sensors from a seed, injects one fault at a time, and
// counts how long each takes to be found and how often clean data is flagged.
//
// The simulation is a stand-in for rooms nobody has measured yet. Its
// constants are common practice, no published source; figures from it compare
// versions of the tests, and do not promise what a facility will see.
package faults

import (
	"math"
	"math/rand/v2"
)

// kind describes what one kind of rearing room is like.
type kind struct {
	name string
	// dayC and nightC are set points in °C, dayRH and nightRH in percent.
	dayC, nightC, dayRH, nightRH float64
	// rippleC is the amplitude of the thermostat's cycle in °C.
	rippleC float64
	// wanderC and wanderRH are the standard deviations of the slow wander.
	wanderC, wanderRH float64
	// doors and mists are how many a day; mistRH is the mean rise in percent,
	// as it would be in air of 70 %.
	doors, mists, mistRH float64
}

// kinds are the rooms of the simulated facility. No two have the same
// temperature by day and by night, as exchanged sensors between such rooms
// could not be told from right ones.
func kinds() []kind {
	return []kind{
		{"nursery", 27, 22, 70, 75, 0.15, 0.3, 1.5, 10, 6, 10},
		{"steady", 21, 21, 60, 60, 0.02, 0.03, 0.3, 1, 0, 0},
		{"humid", 24, 24, 90, 91, 0.05, 0.1, 0.8, 4, 8, 15},
		{"cool", 6, 6, 78, 78, 0.2, 0.1, 1, 2, 0, 0},
	}
}

// air is the simulated air of one room.
type air struct {
	kind
	r               *rand.Rand
	seconds         float64 // since the start of the simulation
	baseC, baseRH   float64
	slowC, slowRH   float64
	shiftC, shiftRH float64 // of the set points by the keeper
	doorC, openC    float64 // effect of open doors, and what is still to come
	doorRH, openRH  float64
	mistRH, leftRH  float64
}

func newAir(k kind, r *rand.Rand) *air {
	return &air{kind: k, r: r, baseC: k.nightC, baseRH: k.nightRH}
}

// decay returns how much of something with a time constant is left after dt.
func decay(dt, constant float64) float64 { return math.Exp(-dt / constant) }

// wander steps a process that reverts to zero within a time constant and has
// the standard deviation sd.
func wander(r *rand.Rand, x, sd, dt, constant float64) float64 {
	keep := decay(dt, constant)
	return x*keep + sd*math.Sqrt(1-keep*keep)*r.NormFloat64()
}

// step advances the air by dt seconds.
func (a *air) step(dt float64) {
	a.seconds += dt
	hour := math.Mod(a.seconds/3600, 24)
	day := hour >= 7 && hour < 21
	setC, setRH := a.nightC, a.nightRH
	if day {
		setC, setRH = a.dayC, a.dayRH
	}
	// Once in a few weeks the keeper changes the set points.
	if a.r.Float64() < dt/(25*86400) {
		a.shiftC, a.shiftRH = a.r.NormFloat64(), 2*a.r.NormFloat64()
	}
	// The room follows its set points within half an hour, as plant and walls
	// allow.
	setC, setRH = setC+a.shiftC, setRH+a.shiftRH
	a.baseC += (setC - a.baseC) * (1 - decay(dt, 1800))
	a.baseRH += (setRH - a.baseRH) * (1 - decay(dt, 1800))
	a.slowC = wander(a.r, a.slowC, a.wanderC, dt, 6*3600)
	a.slowRH = wander(a.r, a.slowRH, a.wanderRH, dt, 6*3600)

	// Doors and mist act by working hours only.
	chance := dt / (14 * 3600)
	if day && a.r.Float64() < a.doors*chance {
		a.openC -= 0.5 + 3*a.r.Float64()
		a.openRH += 10 * (a.r.Float64() - 0.6)
	}
	if day && a.r.Float64() < a.mists*chance {
		a.leftRH += a.kind.mistRH * (0.6 + 0.8*a.r.Float64())
	}
	// Outside air comes in within a minute or so and is warmed within eight.
	in := 1 - decay(dt, 70)
	a.doorC, a.openC = a.doorC*decay(dt, 480)+a.openC*in, a.openC*(1-in)
	a.doorRH, a.openRH = a.doorRH*decay(dt, 480)+a.openRH*in, a.openRH*(1-in)
	spray := 1 - decay(dt, 90)
	a.mistRH, a.leftRH = a.mistRH*decay(dt, 1200)+a.leftRH*spray, a.leftRH*(1-spray)
}

// at returns the air on a shelf that feels doors and mist by a factor.
func (a *air) at(exposure float64) (celsius, percent float64) {
	ripple := a.rippleC * math.Sin(2*math.Pi*a.seconds/720)
	celsius = a.baseC + a.slowC + ripple + exposure*(a.doorC-0.04*a.mistRH)
	percent = a.baseRH + a.slowRH - 2*ripple + exposure*a.doorRH
	return celsius, moister(math.Min(math.Max(percent, 5), 100), exposure*a.mistRH)
}

// moister adds to a humidity what would be added at 70 %: the nearer air is to
// saturation the less it takes up, and it does not go beyond.
func moister(percent, add float64) float64 {
	return 100 - (100-percent)*math.Exp(-add/30)
}
