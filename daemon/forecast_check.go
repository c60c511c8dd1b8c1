package daemon

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/daemon/study"
	"rearguard/sensors"
)

// ForecastCheck says how well forecasts hold.
type ForecastCheck struct {
	Cohorts int `json:"cohorts"`
	// Bare are forecasts of cohorts that nobody counted, Counted those of
	// cohorts counted every few days.
	Bare    study.Calibration `json:"without_counts"`
	Counted study.Calibration `json:"with_counts"`
	// Counts says how the counts agreed with what was expected of them.
	Counts CountCheck `json:"counts"`
}

// CountCheck says how counts agreed with what was expected of each before it.
type CountCheck struct {
	Counts int `json:"counts"`
	// Inside fell into their 80 % interval; Conflicts were called so.
	Inside    int `json:"inside"`
	Conflicts int `json:"conflicts"`
}

// Coverage is the share of the counts inside their 80 % interval, 0 without
// any.
func (c CountCheck) Coverage() float64 { return float64(c.Inside) / float64(max(1, c.Counts)) }

func (c *CountCheck) take(verdicts []rearing.Verdict) {
	for _, v := range verdicts {
		c.Counts++
		if v.Seen >= v.Low && v.Seen <= v.High {
			c.Inside++
		}
		if v.Conflict {
			c.Conflicts++
		}
	}
}

// CheckCounts replays recorded history and says how the counts of every cohort
// in it, finished or not, agreed with what was expected of each before it.
func CheckCounts(ctx context.Context, opts ReplayOptions) (CountCheck, error) {
	var check CountCheck
	c, err := newCore(coreOptions{facility: opts.Facility, catalog: opts.Catalog, logger: opts.Logger, forecastEvery: 24 * time.Hour})
	if err != nil {
		return check, err
	}
	c.history = readerHistory{ctx: ctx, reader: opts.Records, clock: func() time.Time { return c.clock }}
	newest := map[rearing.CohortID]*rearing.Progress{}
	if err := c.replay(ctx, opts.Records, time.Time{}, farFuture, func() {
		*c.out = records.Batch{}
		for _, s := range c.cohorts {
			newest[s.cohort.ID] = s.live
		}
	}); err != nil {
		return check, err
	}
	for _, p := range newest {
		if p != nil {
			check.take(p.Verdicts())
		}
	}
	return check, nil
}

// The simulated facility.
const (
	calibrationRooms   = 6
	calibrationAnimals = 40
	calibrationReport  = 30 * time.Minute
	// calibrationLead is how long rooms live before the first cohort, so that
	// their habits are known; calibrationSpread how long cohorts keep
	// starting; calibrationDays how long all of it lasts.
	calibrationLead   = 12
	calibrationSpread = 20
	calibrationDays   = 80
)

// CheckForecasts sends simulated cohorts through the engine's own fold, from the
// messages of sensors on: the air expected is what the fold learns of each
// room, the counts are entered as commands, and the forecasts judged are those
// that pages would show. Rates of cohorts, weather, animals and misread counts
// are drawn at random from the seed; the fold knows none of them.
func CheckForecasts(catalog *rearing.Catalog, cohorts int, seed uint64) (*ForecastCheck, error) {
	species := []rearing.SpeciesID{"danaus-plexippus", "vanessa-cardui", "helicoverpa-armigera", "pieris-rapae"}
	cohorts = max(len(species), cohorts/len(species)*len(species))
	rng := rand.New(rand.NewPCG(seed, 4))
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	f, err := calibrationFacility()
	if err != nil {
		return nil, err
	}
	trial, err := NewTrial(f, catalog, begin)
	if err != nil {
		return nil, err
	}
	trial.core.forecastEvery = calibrationForecasts
	c := &forecastTrial{trial: trial, rng: rng, begin: begin}
	for range calibrationRooms {
		c.rooms = append(c.rooms, c.weather())
	}
	perSpecies := cohorts / len(species)
	for k, id := range species {
		sp, ok := catalog.Species(id)
		if !ok {
			return nil, fmt.Errorf("calibration: the library has no %s", id)
		}
		// Rates from equal strata of the normal distribution, so that few
		// cohorts stand for many.
		for i, stratum := range rng.Perm(perSpecies) {
			z := distuv.UnitNormal.Quantile((float64(stratum) + rng.Float64()) / float64(perSpecies))
			c.add(sp, k*perSpecies+i, z)
		}
	}
	if err := c.run(); err != nil {
		return nil, err
	}
	return &ForecastCheck{Cohorts: cohorts, Bare: c.bare.Result(), Counted: c.counted.Result(), Counts: c.counts}, nil
}

// calibrationForecasts is how often the simulated engine forecasts.
const calibrationForecasts = 6 * time.Hour

func calibrationFacility() (*facility.Facility, error) {
	text := "facility: {name: calibration}\nbroker: {address: \"tcp://127.0.0.1:1883\", client_id: calibration}\nrooms:\n"
	for r := range calibrationRooms {
		text += fmt.Sprintf("  - {id: room-%d}\n", r)
	}
	text += "sensors:\n"
	for r := range calibrationRooms {
		text += fmt.Sprintf("  - {id: sensor-%d, room: room-%d, interval: 30m, inputs: [{topic: c/%d, format: plain, values: [{quantity: temperature, unit: °C}]}]}\n", r, r, r)
	}
	return facility.Parse("calibration.yaml", []byte(text))
}

// forecastTrial is one run.
type forecastTrial struct {
	trial         *Trial
	rng           *rand.Rand
	begin         time.Time
	rooms         [][]float64
	cohorts       []*simulatedCohort
	bare, counted study.Score
	counts        CountCheck
}

type simulatedCohort struct {
	truth study.Truth
	room  sensors.RoomID
	id    rearing.CohortID
	// judge is when its forecast is judged; counts are the hours at which the
	// keeper counts before.
	judge  float64
	counts []float64
	added  bool
	done   bool
}

// weather draws the true hourly air of a room.
func (c *forecastTrial) weather() []float64 {
	mean, amplitude := 22.5+4.5*c.rng.Float64(), 1+2*c.rng.Float64()
	sd, persistence := 0.4+0.8*c.rng.Float64(), 0.4+0.4*c.rng.Float64()
	days := make([]float64, calibrationDays+2)
	for d := range days {
		z := c.rng.NormFloat64() * sd
		if d > 0 {
			z = persistence*days[d-1] + math.Sqrt(1-persistence*persistence)*z
		}
		days[d] = z
	}
	air := make([]float64, calibrationDays*24+1)
	for h := range air {
		d, f := h/24, float64(h%24)/24
		air[h] = mean + amplitude*math.Cos(2*math.Pi*float64(h%24-15)/24) + days[d]*(1-f) + days[d+1]*f
	}
	return air
}

// add draws a cohort twice over: once counted and once not.
func (c *forecastTrial) add(sp *rearing.Species, n int, z float64) {
	room := c.rng.IntN(calibrationRooms)
	start := calibrationLead*24 + c.rng.IntN(calibrationSpread*24)
	truth := study.Draw(c.rng, sp, c.begin.Add(time.Duration(start)*time.Hour), c.rooms[room][start:], z, calibrationAnimals)
	// The hour of the forecast must not depend on the truth.
	judge := math.Floor(study.NaiveHours(sp, len(sp.Stages)-1)*(0.1+0.7*c.rng.Float64())/6) * 6
	judge -= math.Mod(float64(start)+judge, 6)
	bare := &simulatedCohort{truth: truth, room: sensors.RoomID(fmt.Sprintf("room-%d", room)), id: rearing.CohortID(fmt.Sprintf("bare-%d", n)), judge: judge}
	counted := &simulatedCohort{truth: truth, room: bare.room, id: rearing.CohortID(fmt.Sprintf("counted-%d", n)), judge: judge}
	for h := 24 * (2 + c.rng.Float64()*3); h < judge; h += 24 * (3 + c.rng.Float64()*3) {
		counted.counts = append(counted.counts, h)
	}
	c.cohorts = append(c.cohorts, bare, counted)
}

// run lives through all days in steps of the sensors' interval.
func (c *forecastTrial) run() error {
	steps := calibrationDays * 24 * int(time.Hour/calibrationReport)
	for step := range steps {
		at := c.begin.Add(time.Duration(step) * calibrationReport)
		if !slices.ContainsFunc(c.cohorts, func(s *simulatedCohort) bool { return !s.done }) {
			return nil
		}
		h, f := step/2, float64(step%2)/2
		for r := range c.rooms {
			t := c.rooms[r][h]*(1-f) + c.rooms[r][h+1]*f + 0.1*c.rng.NormFloat64()
			err := c.trial.Message(sensors.Message{Topic: fmt.Sprintf("c/%d", r), Received: at.Add(time.Duration(r) * time.Second), Payload: fmt.Appendf(nil, "%.2f", t)})
			if err != nil {
				return err
			}
		}
		if err := c.trial.Advance(at.Add(time.Minute)); err != nil {
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
func (c *forecastTrial) live(s *simulatedCohort, at time.Time) error {
	hour := at.Sub(s.truth.Start).Hours()
	if s.done || hour < 0 {
		return nil
	}
	if !s.added {
		s.added = true
		return c.trial.Do(AddCohort{Who: "simulated", Cohort: rearing.Cohort{
			ID: s.id, Species: s.truth.Species.ID, Start: s.truth.Start, StartStage: s.truth.Species.Stages[0].ID,
			Individuals: calibrationAnimals, Placements: []rearing.Placement{{Room: s.room, From: s.truth.Start}},
		}})
	}
	for len(s.counts) > 0 && s.counts[0] <= hour {
		count := s.truth.Count(c.rng, s.id, s.counts[0])
		s.counts = s.counts[1:]
		if err := c.trial.Do(RecordCount{Count: count}); err != nil {
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
	return c.trial.Do(EndCohort{Cohort: s.id, At: at, Who: "simulated"})
}

// judge compares the forecast in force with what comes.
func (c *forecastTrial) judge(s *simulatedCohort, hour float64) error {
	score := &c.bare
	if s.id[0] == 'c' {
		score = &c.counted
	}
	state, err := c.trial.core.cohort(s.id)
	if err != nil {
		return err
	}
	forecast := state.forecast.forecast
	if forecast == nil {
		return fmt.Errorf("calibration: cohort %s has no forecast: %s", s.id, state.forecast.problem)
	}
	score.Forecasts++
	c.counts.take(state.live.Verdicts())
	sp := s.truth.Species
	for i, e := range forecast.Events {
		stage := i + 1
		since := func(t time.Time) float64 { return t.Sub(s.truth.Start).Hours() }
		if e.Passed >= 0.1 || e.Late.IsZero() || since(e.Early) < hour {
			continue
		}
		came := make([]float64, 0, calibrationAnimals)
		for _, entered := range s.truth.Entered {
			if !math.IsInf(entered[stage], 0) {
				came = append(came, entered[stage])
			}
		}
		if len(came) == calibrationAnimals {
			score.Take(since(e.Early), since(e.Median), since(e.Late), study.NaiveHours(sp, stage), came)
		}
	}
	return nil
}
