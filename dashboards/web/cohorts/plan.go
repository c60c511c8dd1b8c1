package cohorts

import (
	"net/http"
	"net/url"
	"slices"
	"time"

	"rearguard/daemon/planning"
	"rearguard/daemon/rearing/husbandry"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web/forms"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
)

// planModel is the page of the four questions, with the answer to one.
type planModel struct {
	// Ask names the question asked, empty before.
	Ask     string
	Q       url.Values
	Problem string
	// Reared are the species that can be asked about.
	Reared []snapshot.Species

	Options  []planning.EmergenceOption
	Shipping []husbandry.ShippingDay
	Food     []planning.FoodDay
	Shift    *planning.Shift
}

// buildPlan answers questions from its address, so that an answer can be kept
// and sent on.
func buildPlan(v *page.View, r *http.Request) (page.Content, error) {
	q := &question{forms.Fields{Values: r.URL.Query(), Zone: v.Loc}, v.S}
	m := planModel{Ask: q.Get("ask"), Q: q.Values, Reared: reared(v.S)}
	var err error
	switch m.Ask {
	case "emergences":
		m.Options, err = q.emergences()
	case "shipping":
		m.Shipping, err = q.shipping()
	case "food":
		m.Food, err = q.food()
	case "shift":
		m.Shift, err = q.shift()
	default:
		m.Ask = ""
	}
	if err != nil {
		m.Problem = page.Sentence(err)
	}
	return page.Content{Title: "Plan", Data: m}, nil
}

// question reads the fields of one question and answers it.
type question struct {
	forms.Fields
	s *snapshot.Snapshot
}

// numberOf says what to enter in a field.
func numberOf(meaning string) string { return "enter " + meaning + " as a number" }

// date reads a day as its beginning in the facility's zone.
func (q *question) date(name string) time.Time {
	return q.Date(name, q.Zone, "enter a date like 2026-06-12")
}

func (q *question) emergences() ([]planning.EmergenceOption, error) {
	req := planning.EmergenceRequest{
		Species: species.ID(q.Get("species")), Air: planning.Air{Room: sensors.RoomID(q.Get("room"))},
		EggRequest: husbandry.EggRequest{
			Emergences: int(q.Needed("count", numberOf("how many adults"))), By: q.date("by"),
			Chance:   q.NumberOr("chance", 80, numberOf("how sure it must be, in percent,")) / 100,
			Survival: q.NumberOr("survival", 0, numberOf("the share of eggs that become adults, in percent,")) / 100,
		},
	}
	if c := q.Number("celsius", numberOf("the set point")); c != nil {
		req.Air = planning.Air{Celsius: c}
	}
	if q.Err() != nil {
		return nil, q.Err()
	}
	return planning.Emergences(q.s, req)
}

func (q *question) shipping() ([]husbandry.ShippingDay, error) {
	ship := husbandry.Shipping{TransitC: q.Needed("celsius", numberOf("the temperature on the way"))}
	hours := q.Needed("hours", numberOf("the hours on the way"))
	if !(hours > 0 && hours <= 720) {
		q.Refuse("hours", "enter the hours on the way, up to 720")
	}
	if q.Err() != nil {
		return nil, q.Err()
	}
	ship.Transit = time.Duration(hours * float64(time.Hour))
	return planning.Shipping(q.s, population.CohortID(q.Get("cohort")), ship)
}

func (q *question) food() ([]planning.FoodDay, error) {
	grams := q.Needed("grams", numberOf("what one larva eats in its life, in grams,"))
	if q.Err() != nil {
		return nil, q.Err()
	}
	return planning.Food(q.s, planning.FoodRequest{Species: species.ID(q.Get("species")), GramsPerLarva: grams})
}

func (q *question) shift() (*planning.Shift, error) {
	req := planning.ShiftRequest{
		Cohort: population.CohortID(q.Get("cohort")), To: q.date("to").Add(12 * time.Hour),
		Celsius: q.Number("celsius", numberOf("the set point")),
	}
	if q.Err() != nil {
		return nil, q.Err()
	}
	return planning.ShiftEmergence(q.s, req)
}

// shownOptions bounds the set points offered.
const shownOptions = 6

// ShiftOptions are the set points nearest to the wish.
func (m planModel) ShiftOptions() []husbandry.ShiftOption {
	return m.Shift.Options[:min(shownOptions, len(m.Shift.Options))]
}

// reared are the species that have a cohort here.
func reared(s *snapshot.Snapshot) []snapshot.Species {
	return slices.DeleteFunc(slices.Clone(s.Species), func(sp snapshot.Species) bool {
		return !slices.ContainsFunc(s.Cohorts, func(c snapshot.Cohort) bool { return c.Species == sp.ID })
	})
}
