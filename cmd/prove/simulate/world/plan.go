package world

import (
	"math/rand/v2"
	"slices"
)

// Plan is everything that a run is made of. Times are minutes of true time
// since the run began.
type Plan struct {
	Seed    uint64
	Minutes int
	Rooms   []RoomPlan
	Sensors []SensorPlan
	Events  []Event
}

// RoomPlan is one room and its air when nothing is wrong with it.
type RoomPlan struct {
	BaseC, SwingC, TauMinutes float64
	HeatC, ChillC             float64
	// Empty rooms are left out of the facility.
	Empty bool
}

// SensorPlan is one sensor.
type SensorPlan struct {
	Room     int
	Form     Form
	Interval int
	Phase    int
	BiasC    float64
	// Unclaimed sensors are heard on the network, from a minute on, and not in
	// the file yet.
	Unclaimed bool
	Joins     int
	// Missing sensors are left out of the facility.
	Missing bool
}

// Event is something that befalls the facility at a minute, for some minutes
// where it lasts. What A, B and X mean is the kind's.
type Event struct {
	At, For int
	Kind    Kind
	A, B    int
	X       float64
}

// Kind names a kind of event.
type Kind string

// EnterCohort is the kind with which people enter a cohort.
const EnterCohort Kind = "enter cohort"

// Bounds of a run in minutes: quiet are those at its end in which nothing new
// befalls the facility, so that what is late comes in.
const (
	shortestRun = 4 * 60
	longestRun  = 36 * 60
	quietEnd    = 90
)

// Draw draws the run of a seed out of the kinds of events and the forms
// allowed.
func Draw(seed uint64, allowed []Kind, spoken []Form) *Plan {
	r := rand.New(rand.NewPCG(seed, 0x5eed))
	p := &Plan{Seed: seed}
	// Short runs are many: most faults show within hours.
	p.Minutes = shortestRun + int(float64(longestRun-shortestRun)*r.Float64()*r.Float64())
	for range 1 + r.IntN(3) {
		base := 22 + 6*r.Float64()
		p.Rooms = append(p.Rooms, RoomPlan{
			BaseC: base, SwingC: 2 * r.Float64(), TauMinutes: 15 + 30*r.Float64(),
			HeatC: float64(int(base) + 5), ChillC: float64(int(base) - 8),
		})
	}
	for i := range len(p.Rooms) + r.IntN(4) {
		room := i
		if room >= len(p.Rooms) {
			room = r.IntN(len(p.Rooms))
		}
		p.Sensors = append(p.Sensors, SensorPlan{
			Room: room, Form: spoken[r.IntN(len(spoken))], Interval: []int{2, 3, 5, 5}[r.IntN(4)], Phase: r.IntN(5), BiasC: 0.4 * (r.Float64() - 0.5),
			Unclaimed: i >= len(p.Rooms) && r.IntN(4) == 0,
		})
		if one := &p.Sensors[i]; one.Unclaimed {
			one.Joins = r.IntN(p.Minutes - quietEnd)
		}
	}
	for room := range p.Rooms {
		if r.IntN(6) > 0 {
			p.Events = append(p.Events, Event{At: 8 + r.IntN(60), Kind: EnterCohort, A: room, B: r.IntN(2)})
		}
	}
	p.befall(r, allowed)
	return p
}

// befall draws what goes wrong, and what people do.
func (p *Plan) befall(r *rand.Rand, allowed []Kind) {
	// A run has few kinds of trouble, each some times: what belongs together
	// then meets, and the story stays short.
	var some []Kind
	for range 2 + r.IntN(5) {
		if len(allowed) > 0 {
			some = append(some, allowed[r.IntN(len(allowed))])
		}
	}
	for _, kind := range some {
		for range 1 + r.IntN(3) {
			at := 20 + r.IntN(p.Minutes-quietEnd-20)
			longest := min(p.Minutes-quietEnd-at, 5*60)
			p.Events = append(p.Events, Event{
				At: at, For: 1 + int(float64(longest)*r.Float64()*r.Float64()), Kind: kind,
				A: r.IntN(1 << 16), B: r.IntN(1 << 16), X: r.Float64(),
			})
		}
	}
	slices.SortStableFunc(p.Events, func(a, b Event) int { return a.At - b.At })
}

// Clone is a copy to change.
func (p *Plan) Clone() *Plan {
	c := *p
	c.Rooms, c.Sensors, c.Events = slices.Clone(p.Rooms), slices.Clone(p.Sensors), slices.Clone(p.Events)
	return &c
}
