package rearing

import (
	"fmt"
	"math"
	"sort"
	"time"
)

// forecastDraws is the number of animals a forecast follows.
const forecastDraws = 256

// Event is a forecast of the entry of a cohort into one stage.
type Event struct {
	// Name is "hatching", "moult", "prepupa", "pupation" or "eclosion".
	Name  string
	Stage StageID
	// Early, Median and Late are when 10, 50 and 90 % of the animals are
	// expected to have passed: spread of the animals, doubt about the
	// cohort's rate and doubt about the air together. Times in the past are
	// when they did. The zero time is beyond the outlook.
	Early, Median, Late time.Time
	// Passed is the share of animals that have passed already; Done is set
	// when all have.
	Passed float64
	Done   bool
}

// Forecast is what is expected of one cohort.
type Forecast struct {
	// At is the time the forecast starts from.
	At time.Time
	// Events are those still to come or under way, and those already past,
	// in order of stage.
	Events []Event
	// entries[s] are the hours from At to entry into stage s of the animals
	// followed that are not yet there, in order; infinite beyond the outlook.
	entries [][]float64
	draws   int
}

// Next are the events that not all animals have passed, soonest first.
func (f *Forecast) Next() []Event {
	var next []Event
	for _, e := range f.Events {
		if !e.Done {
			next = append(next, e)
		}
	}
	return next
}

// Forecast follows a sample of the cohort's animals, drawn by what is
// believed of them, each along one of the outlook's courses.
func (p *Progress) Forecast(o *Outlook) (*Forecast, error) {
	return p.ForecastOf(o, forecastDraws)
}

// ForecastOf is Forecast with another number of animals followed, 16 to 4096.
func (p *Progress) ForecastOf(o *Outlook, draws int) (*Forecast, error) {
	if draws < 16 || draws > 4096 {
		return nil, fmt.Errorf("forecast: %d animals followed; want 16 to 4096", draws)
	}
	start := p.now.Sub(o.from).Hours()
	if start < 0 || start >= float64(o.hours) {
		return nil, fmt.Errorf("forecast: outlook from %s to %s does not hold the cohort's time %s",
			o.from.Format(time.RFC3339), o.Until().Format(time.RFC3339), p.now.Format(time.RFC3339))
	}
	stages := len(p.species.Stages)
	f := &Forecast{At: p.now, draws: draws, entries: make([][]float64, stages)}
	for s := p.first + 1; s < stages; s++ {
		f.entries[s] = make([]float64, 0, draws)
	}
	courses := p.courses(o)
	there := make([]int, stages)
	for k, i := range p.sample(draws) {
		for s := 0; s <= min(int(p.stage[i]), stages-1); s++ {
			there[s]++
		}
		p.follow(i, scramble(k%len(o.temps), len(o.temps), uint64(k/len(o.temps))), courses, start, func(s int, hour float64) {
			f.entries[s] = append(f.entries[s], hour-start)
		})
	}
	for s := p.first + 1; s < stages; s++ {
		sort.Float64s(f.entries[s])
		f.Events = append(f.Events, p.event(f, s, float64(there[s])/float64(draws)))
	}
	return f, nil
}

// courses are the running integrals of each stage's rate, nil without one.
func (p *Progress) courses(o *Outlook) [][][]float64 {
	all := make([][][]float64, len(p.species.Stages))
	for s := range all {
		if st := &p.species.Stages[s]; st.Rate != nil {
			all[s] = o.cumulative(st)
		}
	}
	return all
}

// sample draws n animals by their shares, evenly through the population.
func (p *Progress) sample(n int) []int {
	total := 0.0
	for i := range p.stage {
		total += p.share(i)
	}
	out := make([]int, 0, n)
	run, step := 0.0, total/float64(n)
	for i := range p.stage {
		run += p.share(i)
		for len(out) < n && run > (float64(len(out))+0.5)*step {
			out = append(out, i)
		}
	}
	for len(out) < n {
		out = append(out, len(p.stage)-1)
	}
	return out
}

// follow moves animal i along course k from the hour start on and reports
// each entry into a stage, at an infinite hour when beyond the outlook.
func (p *Progress) follow(i, k int, courses [][][]float64, start float64, enter func(s int, hour float64)) {
	s, x := int(p.stage[i]), start
	if p.endless(s) {
		return
	}
	need := p.target[i] - p.sums[s]
	for {
		sum := courses[s][k]
		hour, ok := hourOf(sum, x, sumAt(sum, x)+need)
		if !ok {
			for s++; s < len(courses); s++ {
				enter(s, math.Inf(1))
			}
			return
		}
		x = hour
		s++
		if s >= len(courses) {
			return
		}
		enter(s, x)
		if p.endless(s) {
			return
		}
		need = p.requirement(i, s)
	}
}

// event sums up the entries into stage s.
func (p *Progress) event(f *Forecast, s int, passed float64) Event {
	id := p.species.Stages[s].ID
	e := Event{Name: EventName(id), Stage: id, Passed: passed, Done: len(f.entries[s]) == 0}
	for k, dst := range []*time.Time{&e.Early, &e.Median, &e.Late} {
		share := markShares()[k]
		// The rank among the animals followed, those already there first.
		rank := int(math.Round(share*float64(f.draws)-0.5)) - int(math.Round(passed*float64(f.draws)))
		if rank < 0 {
			*dst = p.marks[s][k]
			if dst.IsZero() {
				*dst = p.now
			}
			continue
		}
		if rank < len(f.entries[s]) && !math.IsInf(f.entries[s][rank], 1) {
			*dst = p.now.Add(time.Duration(f.entries[s][rank] * float64(time.Hour)))
		}
	}
	return e
}

// ShareBefore is the share of the cohort expected to have entered the stage
// by t, and false for a stage the species has not.
func (p *Progress) ShareBefore(f *Forecast, stage StageID, t time.Time) (float64, bool) {
	s, ok := p.species.StageIndex(stage)
	if !ok {
		return 0, false
	}
	h := t.Sub(f.At).Hours()
	coming := sort.Search(len(f.entries[s]), func(i int) bool { return f.entries[s][i] > h })
	return float64(f.draws-len(f.entries[s])+coming) / float64(f.draws), true
}
