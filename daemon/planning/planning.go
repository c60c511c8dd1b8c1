// Package planning looks ahead from a snapshot: eggs to be laid for adults by a
// date, days to ship pupae, host plant to be grown, and the set point that
// moves an emergence.
package planning

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/husbandry"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// ErrNone is wrapped by every question that cannot be answered as asked.
var ErrNone = errors.New("cannot plan")

func noPlan(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrNone, fmt.Sprintf(format, args...))
}

// setPointDoubt is how well a room is taken to keep a set point that it has
// not been held at yet: common practice, no published source.
func setPointDoubt() forecast.AirUncertainty {
	return forecast.AirUncertainty{DayMeanSDC: 0.5, Persistence: 0.7}
}

// planHorizon is how far ahead plans look.
const planHorizon = 400 * 24 * time.Hour

// Air says in which air something is to be planned: in the air expected of
// a room, at a set point, or in a course of its own.
type Air struct {
	Room    sensors.RoomID
	Celsius *float64
	Course  forecast.Air
}

// airFor is the air of a plan with its doubt and its name for people.
func airFor(s *snapshot.Snapshot, a Air) (forecast.Air, forecast.AirUncertainty, string, error) {
	var none forecast.AirUncertainty
	switch {
	case a.Course != nil:
		return a.Course, setPointDoubt(), "the given course of temperatures", nil
	case a.Celsius != nil:
		if c := *a.Celsius; !(c >= -10 && c <= 50) {
			return nil, none, "", noPlan("a set point of %g °C is no room's", c)
		}
		return forecast.ConstantAir(*a.Celsius), setPointDoubt(), fmt.Sprintf("a room held at %.1f °C", *a.Celsius), nil
	}
	for i := range s.Rooms {
		r := &s.Rooms[i]
		if r.ID != a.Room {
			continue
		}
		if r.Expected == nil {
			return nil, none, "", noPlan("room %s has had no reading yet; give a set point instead", r.ID)
		}
		return r.Expected.Air, r.Expected.Doubt, fmt.Sprintf("%s as expected from %s", r.Name, r.Expected.From), nil
	}
	return nil, none, "", noPlan("there is no room %q", a.Room)
}

// EmergenceRequest asks how to have adults of a species by a date.
type EmergenceRequest struct {
	Species species.ID
	// Air is where they are to be reared; with nothing in it every room is
	// tried.
	Air Air
	husbandry.EggRequest
}

// EmergenceOption is how a request is met in one air.
type EmergenceOption struct {
	Room sensors.RoomID `json:"room,omitempty"`
	Air  string         `json:"air"`
	// MeanC is the mean temperature expected.
	MeanC float64 `json:"mean_celsius"`
	// Plans are the days on which to have eggs laid, fewest eggs first; empty
	// with Problem when no number of eggs would do.
	Plans   []husbandry.EggPlan `json:"plans"`
	Problem string              `json:"problem,omitempty"`
	Risks   []string            `json:"risks"`
}

// plansShown bounds the days offered for one air.
const plansShown = 5

// Emergences answers how many eggs must be laid by when, most promising
// air first.
func Emergences(s *snapshot.Snapshot, req EmergenceRequest) ([]EmergenceOption, error) {
	sp, err := planSpecies(s, req.Species)
	if err != nil {
		return nil, err
	}
	airs := []Air{req.Air}
	if req.Air.Room == "" && req.Air.Celsius == nil && req.Air.Course == nil {
		airs = nil
		for i := range s.Rooms {
			if s.Rooms[i].Expected != nil {
				airs = append(airs, Air{Room: s.Rooms[i].ID})
			}
		}
		if len(airs) == 0 {
			return nil, noPlan("no room has had a reading yet; give a set point instead")
		}
	}
	if !req.By.After(s.Time) || req.By.After(s.Time.Add(planHorizon)) {
		return nil, noPlan("%s is not within the next %d days", req.By.In(s.Zone()).Format(time.DateOnly), int(planHorizon.Hours()/24))
	}
	var options []EmergenceOption
	for _, a := range airs {
		air, doubt, title, err := airFor(s, a)
		if err != nil {
			return nil, err
		}
		o, err := forecast.NewOutlook(air, doubt, s.Time, req.By.Sub(s.Time)+24*time.Hour)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrNone, err)
		}
		option := EmergenceOption{Room: a.Room, Air: title, MeanC: meanOf(air, s.Time), Plans: []husbandry.EggPlan{}, Risks: []string{}}
		plans, err := husbandry.PlanEggs(sp, o, req.EggRequest)
		switch {
		case errors.Is(err, husbandry.ErrNoPlan):
			option.Problem = err.Error()
		case err != nil:
			return nil, fmt.Errorf("%w: %w", ErrNone, err)
		default:
			option.Plans = plans[:min(plansShown, len(plans))]
			option.Risks = append(option.Risks, emergenceRisks(sp, &plans[0])...)
		}
		option.Risks = append(option.Risks, airRisks(sp, air, doubt, s.Time)...)
		options = append(options, option)
	}
	slices.SortStableFunc(options, func(a, b EmergenceOption) int { return optionRank(a) - optionRank(b) })
	return options, nil
}

func optionRank(o EmergenceOption) int {
	if len(o.Plans) == 0 {
		return math.MaxInt32
	}
	return o.Plans[0].Eggs
}

func emergenceRisks(sp *species.Species, best *husbandry.EggPlan) []string {
	risks := []string{fmt.Sprintf("%.0f %% chance of missing it", 100*(1-best.Chance))}
	if best.SurvivalAssumed {
		risks = append(risks, "survival from egg to adult is assumed; state your own")
	}
	if sp.Assumed() {
		risks = append(risks, "constants of the species are assumed, verify on site; the wide spread of its rate is in the chance")
	}
	return risks
}

// airRisks tells where the air goes beyond the species' limits of any stage.
func airRisks(sp *species.Species, air forecast.Air, doubt forecast.AirUncertainty, from time.Time) []string {
	low, high := math.Inf(1), math.Inf(-1)
	for h := range 48 {
		c := air.TemperatureC(from.Add(time.Duration(h) * time.Hour))
		low, high = min(low, c), max(high, c)
	}
	var risks []string
	for i := range sp.Stages {
		st := &sp.Stages[i]
		if l := st.Limits.Heat; l != nil && high+1.28*doubt.DayMeanSDC > l.Value {
			risks = append(risks, fmt.Sprintf("up to %.1f °C is expected, the heat limit of %s is %.1f °C", high, st.Name, l.Value))
			break
		}
		if l := st.Limits.Chill; l != nil && low-1.28*doubt.DayMeanSDC < l.Value {
			risks = append(risks, fmt.Sprintf("down to %.1f °C is expected, the chill limit of %s is %.1f °C", low, st.Name, l.Value))
			break
		}
	}
	return risks
}

func meanOf(air forecast.Air, from time.Time) float64 {
	sum := 0.0
	for h := range 24 {
		sum += air.TemperatureC(from.Add(time.Duration(h) * time.Hour))
	}
	return math.Round(sum/24*100) / 100
}

func planSpecies(s *snapshot.Snapshot, id species.ID) (*species.Species, error) {
	if s.Catalog != nil {
		if sp, ok := s.Catalog.Species(id); ok {
			return sp, nil
		}
	}
	return nil, noPlan("there is no species %q; rearguard species lists them", id)
}

// planCohort finds a cohort and the outlook of its room.
func planCohort(s *snapshot.Snapshot, id population.CohortID) (*snapshot.Cohort, *forecast.Outlook, error) {
	for i := range s.Cohorts {
		c := &s.Cohorts[i]
		if c.ID != id {
			continue
		}
		if c.Progress == nil {
			return nil, nil, noPlan("cohort %s has no progress yet", id)
		}
		air, doubt, _, err := airFor(s, Air{Room: c.Room})
		if err != nil {
			return nil, nil, err
		}
		o, err := forecast.NewOutlook(air, doubt, c.Progress.Time(), snapshot.OutlookHorizon)
		if err != nil {
			return nil, nil, fmt.Errorf("%w: %w", ErrNone, err)
		}
		return c, o, nil
	}
	return nil, nil, noPlan("there is no cohort %q", id)
}

// Shipping looks at each day on which pupae of a cohort could be sent.
func Shipping(s *snapshot.Snapshot, id population.CohortID, ship husbandry.Shipping) ([]husbandry.ShippingDay, error) {
	c, o, err := planCohort(s, id)
	if err != nil {
		return nil, err
	}
	days, err := husbandry.ShipPupae(c.Progress, o, ship)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNone, err)
	}
	return days, nil
}

// FoodDay is the host plant that cohorts are expected to eat on one day.
type FoodDay struct {
	Day    time.Time           `json:"day"`
	Cohort population.CohortID `json:"cohort,omitempty"`
	Larvae float64             `json:"larvae"`
	Grams  float64             `json:"grams"`
	LowG   float64             `json:"low_grams"`
	HighG  float64             `json:"high_grams"`
}

// FoodRequest asks for the host plant of one cohort, or of all of a species.
type FoodRequest struct {
	Cohort  population.CohortID
	Species species.ID
	// GramsPerLarva is what one larva eats in its life, fresh mass.
	GramsPerLarva float64
	// Days is how many days are shown; 0 is 14.
	Days int
}

// Food sums up the host plant need of each day.
func Food(s *snapshot.Snapshot, req FoodRequest) ([]FoodDay, error) {
	if !(req.GramsPerLarva > 0 && req.GramsPerLarva < 1000) {
		return nil, noPlan("%g g eaten by a larva in its life is impossible; weigh what a few eat", req.GramsPerLarva)
	}
	if req.Days == 0 {
		req.Days = 14
	}
	until := s.Time.Add(time.Duration(req.Days) * 24 * time.Hour)
	byDay := map[time.Time]*FoodDay{}
	matched := 0
	for i := range s.Cohorts {
		one := &s.Cohorts[i]
		if req.Cohort != "" && one.ID != req.Cohort || req.Cohort == "" && one.Species != req.Species {
			continue
		}
		matched++
		c, o, err := planCohort(s, one.ID)
		if err != nil {
			return nil, err
		}
		days, err := husbandry.HostPlant(c.Progress, o, s.Zone(), husbandry.FoodByStage(c.Progress.Species(), req.GramsPerLarva))
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrNone, err)
		}
		for _, d := range days {
			if d.Day.After(until) {
				continue
			}
			sum := byDay[d.Day]
			if sum == nil {
				sum = &FoodDay{Day: d.Day, Cohort: req.Cohort}
				byDay[d.Day] = sum
			}
			// Cohorts err independently: their distances add up in squares.
			low, high := sum.Grams-sum.LowG, sum.HighG-sum.Grams
			sum.Larvae += d.Larvae
			sum.Grams += d.Grams
			sum.LowG = sum.Grams - math.Hypot(low, d.Grams-d.Low)
			sum.HighG = sum.Grams + math.Hypot(high, d.High-d.Grams)
		}
	}
	if matched == 0 {
		return nil, noPlan("no cohort being reared is meant; name a cohort or a species that is here")
	}
	out := []FoodDay{}
	for _, d := range byDay {
		d.LowG = max(0, d.LowG)
		out = append(out, *d)
	}
	slices.SortFunc(out, func(a, b FoodDay) int { return a.Day.Compare(b.Day) })
	return out, nil
}

// ShiftRequest asks what set point moves the emergence of a cohort to a time.
type ShiftRequest struct {
	Cohort population.CohortID
	To     time.Time
	// Celsius asks about one set point only.
	Celsius *float64
}

// Shift is the answer: the emergence as it is expected now, and the set points
// that could be used, nearest to the wish first.
type Shift struct {
	Now     *snapshot.ExpectedEvent `json:"-"`
	Options []husbandry.ShiftOption `json:"options"`
	// LowC and HighC bound what is safe for every stage still to pass.
	LowC  float64 `json:"least_celsius"`
	HighC float64 `json:"most_celsius"`
	// Cautions hold whatever set point is chosen.
	Cautions []string `json:"cautions"`
}

// slowMarginC is how near to the lower threshold of its stage a cohort is
// taken to stand almost still.
const slowMarginC = 3

// slowBelow is the temperature below which a stage hardly develops.
func slowBelow(sp *species.Species, stage species.StageID) float64 {
	i, ok := sp.StageIndex(stage)
	if !ok || sp.Stages[i].Spec.LowerC == nil {
		return math.Inf(-1)
	}
	return *sp.Stages[i].Spec.LowerC + slowMarginC
}

func joinRisks(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// shiftMiss is how far from the wish the best set point may end before that is
// called out of reach.
const shiftMiss = 36 * time.Hour

// ShiftEmergence looks for a set point within the safe limits of every stage still
// to pass. It refuses one outside them.
func ShiftEmergence(s *snapshot.Snapshot, req ShiftRequest) (*Shift, error) {
	c, _, err := planCohort(s, req.Cohort)
	if err != nil {
		return nil, err
	}
	options, err := husbandry.ShiftEmergence(c.Progress, req.To, setPointDoubt(), snapshot.OutlookHorizon)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNone, err)
	}
	if len(options) == 0 {
		return nil, noPlan("no temperature is safe for every stage that cohort %s still has to pass", req.Cohort)
	}
	shift := &Shift{LowC: math.Inf(1), HighC: math.Inf(-1), Cautions: []string{
		"every cohort in the room is warmed or chilled with it: look at the others first",
		"change by no more than a few degrees a day, and never in the hours of a moult, pupation or eclosion (common practice, no published source)",
	}}
	for _, o := range options {
		shift.LowC, shift.HighC = min(shift.LowC, o.SetPointC), max(shift.HighC, o.SetPointC)
	}
	for i := range c.Expected {
		if c.Expected[i].Event == species.EventEclosion {
			shift.Now = &c.Expected[i]
		}
	}
	if req.Celsius != nil {
		at := *req.Celsius
		if at < shift.LowC || at > shift.HighC {
			return nil, noPlan("%.1f °C is outside the safe limits of the stages still to pass: %.0f to %.0f °C", at, shift.LowC, shift.HighC)
		}
		options = slices.DeleteFunc(options, func(o husbandry.ShiftOption) bool { return math.Abs(o.SetPointC-at) > 0.5 })
	}
	slow := slowBelow(c.Progress.Species(), c.Stage)
	for i := range options {
		if o := &options[i]; o.SetPointC < slow {
			o.Risk = joinRisks(o.Risk, "development nearly stops there, and long holding costs animals (common practice, no published source)")
		}
	}
	shift.Options = options
	if best := options[0]; req.Celsius == nil && (best.Median.IsZero() || best.Median.Sub(req.To).Abs() > shiftMiss) {
		shift.Cautions = append(shift.Cautions, fmt.Sprintf("no safe set point brings it to %s", req.To.In(s.Zone()).Format("Mon 2 Jan")))
	}
	others := 0
	for i := range s.Cohorts {
		if s.Cohorts[i].Room == c.Room && s.Cohorts[i].ID != c.ID {
			others++
		}
	}
	if others > 0 {
		shift.Cautions = append(shift.Cautions, fmt.Sprintf("%d more in room %s", others, c.Room))
	}
	return shift, nil
}
