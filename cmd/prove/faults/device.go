package faults

import (
	"math"
	"math/rand/v2"

	"rearguard/sensors"
)

// Fault names one injected fault.
type Fault string

// The faults of the table.
const (
	None         Fault = ""
	Spike        Fault = "spike"
	Stuck        Fault = "stuck"
	DriftSlow    Fault = "drift 0.1 °C/day"
	NoiseFive    Fault = "noise x5"
	NoiseSlow    Fault = "noise x5, every 5 min"
	Dropout      Fault = "dropout"
	Exchanged    Fault = "swap of two sensors"
	Condensation Fault = "100 % condensation"
	BatteryFade  Fault = "battery fade"
	Fahrenheit   Fault = "wrong unit (°F)"
	RatioForRH   Fault = "wrong unit (ratio)"
)

// All returns all faults of the table, in its order.
func All() []Fault {
	return []Fault{
		Spike, Stuck, DriftSlow, NoiseFive, NoiseSlow, Dropout, Exchanged, Condensation, BatteryFade, Fahrenheit, RatioForRH,
	}
}

// device is a simulated sensor on a shelf.
type device struct {
	id sensors.SensorID
	// room is where it hangs, believed where the daemon thinks it does.
	room, believed int
	r              *rand.Rand
	shelf
	build
	next           float64 // when it reports, seconds of the simulation
	feltC, feltRH  float64
	started        bool
	battery, drain float64 // percent, percent a day
	injected
}

// shelf is what differs at a place from the room, and how much doors and mist
// are felt there.
type shelf struct {
	placeC, placeRH, exposure float64
	slowC, slowRH             float64
}

// build is error, noise, resolution, time constant of the housing and interval
// (seconds) of a sensor.
type build struct {
	biasC, biasRH   float64
	noiseC, noiseRH float64
	stepC, stepRH   float64
	lag, interval   float64
}

// injected is the fault of a device and what has become of it.
type injected struct {
	fault      Fault
	since      float64 // seconds of the simulation
	size       float64
	humid      bool // spike and stuck: of humidity, not temperature
	done, held bool
	heldAt     float64
}

// newDevice draws a sensor. Every third is coarse and every eleventh very coarse,
// every fourth is slow and every seventh very slow.
func newDevice(id sensors.SensorID, room, n int, r *rand.Rand) *device {
	d := &device{
		id: id, room: room, believed: room, r: r,
		shelf: shelf{placeC: 0.6 * r.NormFloat64(), placeRH: 2 * r.NormFloat64(), exposure: 0.6 + 0.8*r.Float64()},
		build: build{
			biasC: 0.15 * r.NormFloat64(), biasRH: r.NormFloat64(),
			noiseC: 0.02 + 0.02*r.Float64(), noiseRH: 0.08 + 0.1*r.Float64(),
			stepC: 0.01, stepRH: 0.01, lag: 30 + 60*r.Float64(), interval: 60,
		},
		battery: 75 + 25*r.Float64(), drain: 0.05 + 0.05*r.Float64(),
	}
	if n%3 == 2 {
		d.stepC, d.stepRH, d.noiseC, d.noiseRH = 0.1, 0.1, 0.04, 0.2
	}
	if n%11 == 7 {
		d.stepC, d.stepRH = 0.5, 1
	}
	if n%4 == 3 {
		d.interval = 300
	}
	if n%7 == 5 {
		d.interval = 1800
	}
	d.next = d.interval * r.Float64()
	return d
}

// feel moves the sensing element towards the air of its place.
func (d *device) feel(a *air, dt float64) {
	// Now and then somebody moves plants or boxes around it.
	if d.r.Float64() < dt/(60*86400) {
		d.placeC += 0.1 * d.r.NormFloat64()
		d.placeRH += 0.5 * d.r.NormFloat64()
	}
	d.slowC = wander(d.r, d.slowC, 0.06, dt, 86400)
	d.slowRH = wander(d.r, d.slowRH, 0.4, dt, 86400)
	c, rh := a.at(d.exposure)
	c += d.placeC + d.slowC
	rh = moister(rh, d.placeRH+d.slowRH)
	if !d.started {
		d.started, d.feltC, d.feltRH = true, c, rh
	}
	k := 1 - decay(dt, d.lag)
	d.feltC += k * (c - d.feltC)
	d.feltRH += k * (rh - d.feltRH)
}

// report is one message of a device.
type report struct {
	celsius, percent, battery float64
}

// read returns what the device sends at a time, or false when nothing is sent.
func (d *device) read(now float64) (report, bool) {
	d.next += d.interval + 2*(d.r.Float64()-0.5)
	active := d.fault != None && now >= d.since
	noise := 1.0
	if active && (d.fault == NoiseFive || d.fault == NoiseSlow) {
		noise = 5
	}
	rep := report{
		celsius: d.feltC + d.biasC + noise*d.noiseC*d.r.NormFloat64(),
		percent: d.feltRH + d.biasRH + noise*d.noiseRH*d.r.NormFloat64(),
		battery: math.Round(math.Max(0, d.battery-d.drain*now/86400+0.4*d.r.NormFloat64())),
	}
	// Half a percent of messages are lost on the radio.
	lost := d.r.Float64() < 0.005
	if active {
		lost = d.change(&rep, now, lost)
	}
	round := func(x, step float64) float64 { return math.Round(math.Round(x/step)*step*1e4) / 1e4 }
	rep.percent = math.Min(math.Max(rep.percent, 0), 100)
	rep.celsius = round(rep.celsius, d.stepC)
	if d.fault != RatioForRH || !active {
		rep.percent = round(rep.percent, d.stepRH)
	}
	return rep, !lost
}

// change applies the fault and returns whether the message is lost.
func (d *device) change(rep *report, now float64, lost bool) bool {
	switch d.fault {
	case Spike:
		if !d.done {
			if d.humid {
				rep.percent += 2.5 * d.size
			} else {
				rep.celsius += d.size
			}
			d.done, lost = true, false
		}
	case Stuck:
		if !d.held {
			d.held, d.heldAt = true, rep.celsius
			if d.humid {
				d.heldAt = rep.percent
			}
		}
		if d.humid {
			rep.percent = d.heldAt
		} else {
			rep.celsius = d.heldAt
		}
	case DriftSlow:
		rep.celsius += 0.1 * (now - d.since) / 86400 * math.Copysign(1, d.size)
	case Dropout:
		lost = true
	case Condensation:
		// The film of water forms within half an hour, then reads full.
		rep.percent += (101 - rep.percent) * math.Min(1, (now-d.since)/1800)
	case BatteryFade:
		rep.battery = math.Round(math.Max(0, rep.battery-1.5*(now-d.since)/86400))
	case Fahrenheit:
		rep.celsius = rep.celsius*1.8 + 32
	case RatioForRH:
		rep.percent = math.Round(rep.percent*100) / 1e4
	}
	return lost
}
