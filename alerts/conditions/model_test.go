package conditions_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/sensors/air"
)

// model is a rearing room of 40 m³: air and shelves, walls, a thermostat, a
// humidistat, leaky ventilation, plants, and people who open the door. It is
// an independent invention against which causes are told; its constants are
// those of a small insulated room (common practice, no published source).
type model struct {
	random          *rand.Rand
	airC, wallC, w  float64 // °C, °C, g/kg
	heating         bool
	misting         bool
	heaterW         float64
	outC, outSwingC float64
	outW            float64
	heater          func() bool // nil for the thermostat
	humidifier      bool
	doorUntil       float64 // hours
	hour            float64
}

func newModel(seed uint64) *model {
	random := rand.New(rand.NewPCG(seed, 7))
	return &model{
		random: random, airC: 26, wallC: 23, w: 14, humidifier: true,
		heaterW: 900 + 400*random.Float64(), outC: 4 + 10*random.Float64(), outSwingC: 3 + 3*random.Float64(),
		outW: 4 + 2*random.Float64(),
	}
}

func saturation(c float64) float64 {
	p, err := air.SaturationOverWaterPa(c)
	if err != nil {
		panic(err)
	}
	return p
}

// humidity is the relative humidity in percent at sea level.
func (m *model) humidity() float64 {
	e := 101325 * m.w / (621.945 + m.w)
	return min(100, 100*e/saturation(m.airC))
}

// step moves the room on by ten seconds.
func (m *model) step() {
	const seconds, airMass, heatJ = 10.0, 48.0, 100e3
	const wallWK, outWK, wallJ = 120.0, 25.0, 3e6
	out := m.outC + m.outSwingC*math.Sin(2*math.Pi*(m.hour-9)/24)
	day := math.Mod(m.hour, 24) > 7 && math.Mod(m.hour, 24) < 19
	set := 25.0
	if day {
		set = 27
	}
	if m.airC < set-0.2 {
		m.heating = true
	} else if m.airC > set+0.2 {
		m.heating = false
	}
	on := m.heating
	if m.heater != nil {
		on = m.heater()
	}
	if rh := m.humidity(); rh < 66 {
		m.misting = true
	} else if rh > 70 {
		m.misting = false
	}
	changes, besideC, besideW := 0.4, out, m.outW
	if m.hour < m.doorUntil {
		changes, besideC, besideW = 15, 19, 7.5
	}
	exchange := changes / 3600
	power := wallWK*(m.wallC-m.airC) + exchange*airMass*1005*(besideC-m.airC)
	if on {
		power += m.heaterW
	}
	moisture := exchange*(besideW-m.w) + 30.0/airMass/3600 // plants give 30 g/h
	if m.misting && m.humidifier {
		moisture += 500.0 / airMass / 3600
	}
	m.wallC += (wallWK*(m.airC-m.wallC) + outWK*(out-m.wallC)) / wallJ * seconds
	m.airC += power / heatJ * seconds
	m.w += moisture * seconds
	m.hour += seconds / 3600
}

// visit opens the door for a minute or two about once an hour by day.
func (m *model) visit() {
	if h := math.Mod(m.hour, 24); h > 8 && h < 18 && m.random.Float64() < 1.0/60 {
		m.doorUntil = max(m.doorUntil, m.hour+(0.5+1.5*m.random.Float64())/60)
	}
}

// state reads the room with sensor noise and steps of 0.1.
func (m *model) state(now time.Time) conditions.RoomState {
	round := func(x float64) float64 { return math.Round(10*x) / 10 }
	c, rh := round(m.airC+0.05*m.random.NormFloat64()), round(min(100, m.humidity()+0.5*m.random.NormFloat64()))
	vpd := saturation(c) * (1 - rh/100) / 1000
	return conditions.RoomState{
		Room: "nursery", Now: now, TemperatureC: &c, HumidityPercent: &rh,
		Warmest: point(c), Coldest: point(c), Driest: point(rh), Dampest: point(rh), HighestVPD: point(vpd),
		Limits: conditions.Limits{
			Heat:   &conditions.Limit{Value: 31},
			Chill:  &conditions.Limit{Value: 20},
			Drying: &conditions.DoseLimit{Limit: conditions.Limit{Value: 1.8}, For: time.Hour},
		},
	}
}

// run lets a room run for two days, breaks it at breakHour, and returns the
// machine's transitions.
func run(t *testing.T, seed uint64, days float64, breakHour float64, broken func(*model)) []alerts.Transition {
	t.Helper()
	machine, err := alerts.NewMachine(conditions.Definitions(), conditions.Folding()...)
	if err != nil {
		t.Fatal(err)
	}
	m := newModel(seed)
	var memory conditions.RoomMemory
	var out []alerts.Transition
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for minute := range int(days * 24 * 60) {
		if breakHour > 0 && float64(minute) == math.Round(breakHour*60) {
			broken(m)
		}
		m.visit()
		for range 6 {
			m.step()
		}
		if minute < 60 {
			continue // the model settles
		}
		var found []alerts.Observation
		found, memory = judge(m.state(begin.Add(time.Duration(minute)*time.Minute)), memory)
		for _, o := range found {
			out = append(out, machine.Observe(o)...)
		}
	}
	return out
}

var broken = []struct {
	cause  alerts.Condition
	broken func(*model)
}{
	{conditions.HumidifierExhausted, func(m *model) { m.humidifier = false }},
	{conditions.HeaterStuckOn, func(m *model) { m.heater = func() bool { return true } }},
	{conditions.HeatingWeak, func(m *model) { m.heater = func() bool { return false } }},
	{conditions.DoorOpen, func(m *model) { m.doorUntil = math.Inf(1) }},
	{conditions.PowerLost, func(m *model) { m.heater, m.humidifier = func() bool { return false }, false }},
}

var causeNames = map[alerts.Condition]bool{
	conditions.HumidifierExhausted: true, conditions.HeaterStuckOn: true, conditions.HeatingWeak: true,
	conditions.DoorOpen: true, conditions.PowerLost: true,
}

// fewer is how many rooms are looked at: as many, or in short tests a few.
func fewer(many, few int) int {
	if testing.Short() {
		return few
	}
	return many
}

// The first seeds were looked at while the thresholds were chosen, the second
// were not.
func TestCausesAreToldApart(t *testing.T) {
	for name, seeds := range map[string]uint64{"seeds of the tuning": 0, "seeds kept apart": 50} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			right, wrong, silent, calls, rooms := 0, 0, 0, 0, fewer(10, 3)
			for _, incident := range broken {
				line, delay := map[string]int{}, time.Duration(0)
				for n := range uint64(rooms) {
					told, after, annunciated := breakOne(t, seeds+n, 26+2*float64(n), incident.broken)
					line[told]++
					delay += after
					calls += annunciated
					switch {
					case told == string(incident.cause):
						right++
					case incident.cause == conditions.PowerLost && told == string(conditions.HeatingWeak):
						// "Heating off or too weak" is true of it, and all that
						// can be known before the humidity falls.
						right++
					case told == "":
						silent++
					default:
						wrong++
					}
				}
				t.Logf("%-21s told as %v, mean delay %v", incident.cause, line, (delay / time.Duration(rooms)).Round(time.Minute))
			}
			all := rooms * len(broken)
			t.Logf("right %d, wrong %d, not told %d of %d; %.1f calls an incident", right, wrong, silent, all, float64(calls)/float64(all))
			if 10*wrong > all || 100*right < 84*all {
				t.Errorf("right %d, wrong %d, not told %d of %d; want at least 84 %% right and at most 10 %% wrong", right, wrong, silent, all)
			}
		})
	}
}

// breakOne breaks one room and returns the first cause told, how long after,
// and how many calls there were within six hours.
func breakOne(t *testing.T, seed uint64, breakHour float64, broken func(*model)) (told string, delay time.Duration, calls int) {
	broke := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(breakHour * float64(time.Hour)))
	for _, tr := range run(t, seed, (breakHour+6)/24, breakHour, broken) {
		if tr.Time.Before(broke) {
			continue
		}
		if tr.Annunciate && tr.Event != alerts.EventRepeat {
			calls++
		}
		if tr.Event == alerts.EventRaise && causeNames[tr.Key.Condition] && told == "" {
			told, delay = string(tr.Key.Condition), tr.Time.Sub(broke)
		}
	}
	return told, delay, calls
}

// How long before the limit of 31 °C is passed a person is called, when the
// heater sticks on. The heat alarm itself comes after its on-delay of 5 min.
func TestWarningBeforeHeat(t *testing.T) {
	t.Parallel()
	var warnings []float64
	for seed := uint64(50); seed < 60; seed++ {
		breakHour := 26 + 2*float64(seed-50)
		var called, passed time.Time
		for _, tr := range run(t, seed, (breakHour+8)/24, breakHour, broken[1].broken) {
			if tr.Annunciate && called.IsZero() {
				called = tr.Time
			}
			if tr.Key.Condition == conditions.Heat && tr.Event == alerts.EventRaise && passed.IsZero() {
				passed = tr.Time.Add(-5 * time.Minute)
			}
		}
		if called.IsZero() || passed.IsZero() {
			continue // too weak a heater for the weather: the limit is not reached
		}
		warnings = append(warnings, passed.Sub(called).Minutes())
	}
	slices.Sort(warnings)
	if len(warnings) < 6 {
		t.Fatalf("the limit was passed in %d rooms only; too few to measure", len(warnings))
	}
	middle := warnings[len(warnings)/2]
	t.Logf("warning before the limit, %d rooms: median %.0f min, all %.0f", len(warnings), middle, warnings)
	if middle < 5 {
		t.Errorf("median warning is %.0f min, want at least 5", middle)
	}
}

func TestQuietRoomsStayQuiet(t *testing.T) {
	t.Parallel()
	calls, days := map[alerts.Condition]int{}, 0.0
	for seed := uint64(100); seed < 100+uint64(fewer(5, 1)); seed++ {
		for _, tr := range run(t, seed, 12, 0, nil) {
			if tr.Annunciate && tr.Event != alerts.EventRepeat {
				calls[tr.Key.Condition]++
			}
		}
		days += 12
	}
	total := 0
	for _, n := range calls {
		total += n
	}
	t.Logf("%d calls in %.0f room-days: %v", total, days, fmt.Sprint(calls))
	if total > 1 {
		t.Errorf("%d false calls in %.0f room-days, want at most 1", total, days)
	}
}
