package forecasts

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/sandbox"
	"rearguard/daemon/study"
	"rearguard/sensors"
)

// The simulated facility.
const (
	rooms       = 6
	animals     = 40
	reportEvery = 30 * time.Minute
	// leadDays is how long rooms live before the first cohort, so that their
	// habits are known; spreadDays how long cohorts keep starting; days how
	// long all of it lasts.
	leadDays   = 12
	spreadDays = 20
	days       = 80
	// forecastEvery is how often the simulated engine forecasts.
	forecastEvery = 6 * time.Hour
)

// asTheLibrarySays is the world whose animals are as the species library has
// them.
const asTheLibrarySays = "as the library says"

// Simulate sends simulated cohorts through the engine's own fold, from the
// messages of sensors on: the air expected is what the fold learns of each
// room, the counts are entered as commands, and the forecasts judged are those
// that pages would show. Rates of cohorts, weather, animals and misread counts
// are drawn at random from the seed; the fold knows none of them.
func Simulate(ctx context.Context, catalog *species.Catalog, cohorts int, seed uint64) (*World, error) {
	kind := []species.ID{"danaus-plexippus", "vanessa-cardui", "helicoverpa-armigera", "pieris-rapae"}
	cohorts = max(len(kind), cohorts/len(kind)*len(kind))
	rng := rand.New(rand.NewPCG(seed, 4))
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	f, err := simulatedFacility()
	if err != nil {
		return nil, err
	}
	box, err := sandbox.New(fold.Options{
		Facility: f, Catalog: catalog, Logger: slog.New(slog.DiscardHandler), ForecastEvery: forecastEvery,
	}, begin)
	if err != nil {
		return nil, err
	}
	c := &world{sandbox: box, rng: rng, begin: begin}
	for range rooms {
		c.air = append(c.air, c.weather())
	}
	perSpecies := cohorts / len(kind)
	for k, id := range kind {
		sp, ok := catalog.Species(id)
		if !ok {
			return nil, fmt.Errorf("forecasts: the library has no %s", id)
		}
		// Rates from equal strata of the normal distribution, so that few
		// cohorts stand for many.
		for i, stratum := range rng.Perm(perSpecies) {
			z := distuv.UnitNormal.Quantile((float64(stratum) + rng.Float64()) / float64(perSpecies))
			c.add(sp, k*perSpecies+i, z)
		}
	}
	if err := c.run(ctx); err != nil {
		return nil, err
	}
	return c.result(asTheLibrarySays, cohorts), nil
}

func simulatedFacility() (*facility.Facility, error) {
	text := "facility: {name: Simulated}\nbroker: {address: \"tcp://127.0.0.1:1883\", client_id: simulated}\nrooms:\n"
	for r := range rooms {
		text += fmt.Sprintf("  - {id: room-%d}\n", r)
	}
	text += "sensors:\n"
	for r := range rooms {
		text += fmt.Sprintf("  - {id: sensor-%d, room: room-%d, interval: 30m, inputs: [{topic: c/%d, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n", r, r, r)
	}
	return facility.Parse("simulated.yaml", []byte(text))
}

// world is a simulated facility with the engine in front of it.
type world struct {
	sandbox *sandbox.Sandbox
	rng     *rand.Rand
	begin   time.Time
	// air is the true hourly temperature of each room.
	air           [][]float64
	cohorts       []*simulatedCohort
	bare, counted study.Score
	counts        Counts
}

type simulatedCohort struct {
	truth study.Truth
	room  sensors.RoomID
	id    population.CohortID
	// judge is when its forecast is judged; counts are the hours at which the
	// keeper counts before.
	judge  float64
	counts []float64
	// score takes how its forecast did.
	score *study.Score
	added bool
	done  bool
}

// weather draws the true hourly air of a room.
func (c *world) weather() []float64 {
	mean, amplitude := 22.5+4.5*c.rng.Float64(), 1+2*c.rng.Float64()
	sd, persistence := 0.4+0.8*c.rng.Float64(), 0.4+0.4*c.rng.Float64()
	means := make([]float64, days+2)
	for d := range means {
		z := c.rng.NormFloat64() * sd
		if d > 0 {
			z = persistence*means[d-1] + math.Sqrt(1-persistence*persistence)*z
		}
		means[d] = z
	}
	air := make([]float64, days*24+1)
	for h := range air {
		d, f := h/24, float64(h%24)/24
		air[h] = mean + amplitude*math.Cos(2*math.Pi*float64(h%24-15)/24) + means[d]*(1-f) + means[d+1]*f
	}
	return air
}

// add draws a cohort twice over: once counted and once not.
func (c *world) add(sp *species.Species, n int, z float64) {
	room := c.rng.IntN(rooms)
	start := leadDays*24 + c.rng.IntN(spreadDays*24)
	truth := study.Draw(c.rng, sp, c.begin.Add(time.Duration(start)*time.Hour), c.air[room][start:], z, animals)
	// The hour of the forecast must not depend on the truth.
	judge := math.Floor(study.NaiveHours(sp, len(sp.Stages)-1)*(0.1+0.7*c.rng.Float64())/6) * 6
	judge -= math.Mod(float64(start)+judge, 6)
	bare := &simulatedCohort{truth: truth, room: sensors.RoomID(fmt.Sprintf("room-%d", room)), id: population.CohortID(fmt.Sprintf("bare-%d", n)), judge: judge, score: &c.bare}
	counted := &simulatedCohort{truth: truth, room: bare.room, id: population.CohortID(fmt.Sprintf("counted-%d", n)), judge: judge, score: &c.counted}
	for h := 24 * (2 + c.rng.Float64()*3); h < judge; h += 24 * (3 + c.rng.Float64()*3) {
		counted.counts = append(counted.counts, h)
	}
	c.cohorts = append(c.cohorts, bare, counted)
}

// run lives through all days in steps of the sensors' interval.
func (c *world) run(ctx context.Context) error {
	steps := days * 24 * int(time.Hour/reportEvery)
	for step := range steps {
		at := c.begin.Add(time.Duration(step) * reportEvery)
		if err := ctx.Err(); err != nil {
			return err
		}
		if !slices.ContainsFunc(c.cohorts, func(s *simulatedCohort) bool { return !s.done }) {
			return nil
		}
		h, f := step/2, float64(step%2)/2
		for r := range c.air {
			t := c.air[r][h]*(1-f) + c.air[r][h+1]*f + 0.1*c.rng.NormFloat64()
			err := c.sandbox.Messages(sensors.Message{Topic: fmt.Sprintf("c/%d", r), Received: at.Add(time.Duration(r) * time.Second), Payload: fmt.Appendf(nil, "%.2f", t)})
			if err != nil {
				return err
			}
		}
		if err := c.sandbox.Advance(at.Add(time.Minute)); err != nil {
			return err
		}
		for _, s := range c.cohorts {
			if err := c.live(s, at); err != nil {
				return err
			}
		}
	}
	return nil
}

// live does what is due for a cohort.
func (c *world) live(s *simulatedCohort, at time.Time) error {
	hour := at.Sub(s.truth.Start).Hours()
	if s.done || hour < 0 {
		return nil
	}
	if !s.added {
		s.added = true
		return c.sandbox.Do(fold.AddCohort{Who: "simulated", Cohort: population.Cohort{
			ID: s.id, Species: s.truth.Species.ID, Start: s.truth.Start, StartStage: s.truth.Species.Stages[0].ID,
			Individuals: animals, Placements: []population.Placement{{Room: s.room, From: s.truth.Start}},
		}})
	}
	for len(s.counts) > 0 && s.counts[0] <= hour {
		count := s.truth.Count(c.rng, s.id, s.counts[0])
		s.counts = s.counts[1:]
		if err := c.sandbox.Do(fold.RecordCount{Count: count}); err != nil {
			return err
		}
	}
	if hour < s.judge {
		return nil
	}
	s.done = true
	if err := c.judge(s, hour); err != nil {
		return err
	}
	return c.sandbox.Do(fold.EndCohort{Cohort: s.id, At: at, Who: "simulated"})
}

// judge compares the forecast in force with what comes.
func (c *world) judge(s *simulatedCohort, hour float64) error {
	expected, err := c.sandbox.Forecast(s.id)
	if err != nil {
		return err
	}
	s.score.Forecasts++
	for _, v := range c.sandbox.Snapshot().Cohorts {
		if v.ID == s.id {
			c.counts.take(v.Verdicts)
		}
	}
	sp := s.truth.Species
	for i, e := range expected.Events {
		stage := i + 1
		since := func(t time.Time) float64 { return t.Sub(s.truth.Start).Hours() }
		if e.Passed >= 0.1 || e.Late.IsZero() || since(e.Early) < hour {
			continue
		}
		came := make([]float64, 0, animals)
		for _, entered := range s.truth.Entered {
			if !math.IsInf(entered[stage], 0) {
				came = append(came, entered[stage])
			}
		}
		if len(came) == animals {
			s.score.Take(since(e.Early), since(e.Median), since(e.Late), study.NaiveHours(sp, stage), came)
		}
	}
	return nil
}

// result sums up what was judged.
func (c *world) result(name string, cohorts int) *World {
	w := &World{Name: name, Cohorts: cohorts, WithoutCounts: c.bare.Result(), WithCounts: c.counted.Result(), Counts: c.counts}
	w.CoverageWithoutCounts, w.CoverageWithCounts = w.WithoutCounts.Coverage, w.WithCounts.Coverage
	if w.WithoutCounts.WidthDays > 0 {
		w.WidthRatio = w.WithCounts.WidthDays / w.WithoutCounts.WidthDays
	}
	return w
}
