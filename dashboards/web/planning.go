package web

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// planModel is the page of the four questions, with the answer to one.
type planModel struct {
	// Ask names the question asked, empty before.
	Ask     string
	Q       url.Values
	Problem string

	Options  []daemon.EmergenceOption
	Shipping []rearing.ShippingDay
	Food     []daemon.FoodDay
	Shift    *daemon.Shift
}

// planPage answers questions from its address, so that an answer can be kept
// and sent on.
func planPage(v *view, r *http.Request) (pageSpec, error) {
	m := planModel{Q: r.URL.Query()}
	m.Ask = m.Q.Get("ask")
	q := question{m.Q, v}
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
	var field *entry.FieldError
	switch {
	case errors.As(err, &field):
		m.Problem = sentence(field.Reason)
	case err != nil:
		m.Problem = sentence(strings.TrimPrefix(err.Error(), daemon.ErrPlan.Error()+": "))
	}
	return pageSpec{Title: "Plan", Data: m, Sections: []sectionSpec{{"plan", false}}}, nil
}

// question reads the fields of one question.
type question struct {
	url.Values
	v *view
}

// number reads a number; an empty field is the fallback.
func (q question) number(name, meaning string, fallback float64) (float64, error) {
	s := strings.Replace(strings.TrimSpace(q.Get(name)), ",", ".", 1)
	if s == "" && fallback != 0 {
		return fallback, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, &entry.FieldError{Field: name, Reason: "enter " + meaning + " as a number"}
	}
	return v, nil
}

// date reads a day as its beginning in the facility's zone.
func (q question) date(name string) (time.Time, error) {
	t, err := time.ParseInLocation(time.DateOnly, q.Get(name), q.v.Loc)
	if err != nil {
		return t, &entry.FieldError{Field: name, Reason: "enter a date like 2026-06-12"}
	}
	return t, nil
}

func (q question) emergences() ([]daemon.EmergenceOption, error) {
	count, err := q.number("count", "how many adults", 0)
	if err != nil {
		return nil, err
	}
	by, err := q.date("by")
	if err != nil {
		return nil, err
	}
	chance, err := q.number("chance", "how sure it must be, in percent,", 80)
	if err != nil {
		return nil, err
	}
	req := daemon.EmergenceRequest{
		Species: rearing.SpeciesID(q.Get("species")), Air: daemon.PlanAir{Room: sensors.RoomID(q.Get("room"))},
		EggRequest: rearing.EggRequest{Emergences: int(count), By: by, Chance: chance / 100},
	}
	if q.Get("survival") != "" {
		percent, err := q.number("survival", "the share of eggs that become adults, in percent,", 0)
		if err != nil {
			return nil, err
		}
		req.Survival = percent / 100
	}
	if q.Get("celsius") != "" {
		c, err := q.number("celsius", "the set point", 0)
		if err != nil {
			return nil, err
		}
		req.Air = daemon.PlanAir{Celsius: &c}
	}
	return q.v.S.PlanEmergences(req)
}

func (q question) shipping() ([]rearing.ShippingDay, error) {
	c, err := q.number("celsius", "the temperature on the way", 0)
	if err != nil {
		return nil, err
	}
	hours, err := q.number("hours", "the hours on the way", 0)
	if err != nil {
		return nil, err
	}
	if !(hours > 0 && hours <= 720) {
		return nil, &entry.FieldError{Field: "hours", Reason: "enter the hours on the way, up to 720"}
	}
	return q.v.S.PlanShipping(rearing.CohortID(q.Get("cohort")), rearing.Shipping{TransitC: c, Transit: time.Duration(hours * float64(time.Hour))})
}

func (q question) food() ([]daemon.FoodDay, error) {
	grams, err := q.number("grams", "what one larva eats in its life, in grams,", 0)
	if err != nil {
		return nil, err
	}
	return q.v.S.PlanFood(daemon.FoodRequest{Species: rearing.SpeciesID(q.Get("species")), GramsPerLarva: grams})
}

func (q question) shift() (*daemon.Shift, error) {
	to, err := q.date("to")
	if err != nil {
		return nil, err
	}
	req := daemon.ShiftRequest{Cohort: rearing.CohortID(q.Get("cohort")), To: to.Add(12 * time.Hour)}
	if q.Get("celsius") != "" {
		c, err := q.number("celsius", "the set point", 0)
		if err != nil {
			return nil, err
		}
		req.Celsius = &c
	}
	return q.v.S.PlanShift(req)
}

// shownOptions bounds the set points offered.
const shownOptions = 6

// ShiftOptions are the set points nearest to the wish.
func (m planModel) ShiftOptions() []rearing.ShiftOption {
	return m.Shift.Options[:min(shownOptions, len(m.Shift.Options))]
}

// Reared are the species that have a cohort here.
func (v *view) Reared() []daemon.SpeciesView {
	var out []daemon.SpeciesView
	for _, s := range v.S.Species {
		for i := range v.S.Cohorts {
			if v.S.Cohorts[i].Species == s.ID {
				out = append(out, s)
				break
			}
		}
	}
	return out
}
