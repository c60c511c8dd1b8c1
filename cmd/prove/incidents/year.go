package incidents

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
)

// Year is what a time without any incident brought: every call in it is one
// too many.
type Year struct {
	Seed  uint64 `json:"seed"`
	Rooms int    `json:"rooms"`
	Days  int    `json:"days"`
	// Calls counts alarms that called for somebody, by condition.
	Calls map[alerts.Condition]int `json:"calls"`
	// Real are calls while the animals were beyond their limit indeed: the
	// weather or a visitor had the room, and the alarm was right.
	Real map[alerts.Condition]int `json:"calls_real"`
	// Pages are the notices to the one person who is woken, NightPages those
	// between 22:00 and 07:00.
	Pages      int `json:"pages"`
	NightPages int `json:"night_pages"`
	// BusyNights had more than two pages.
	BusyNights int `json:"busy_nights"`
}

// False is the number of calls for nothing.
func (y Year) False() int {
	n := 0
	for c, calls := range y.Calls {
		n += calls - y.Real[c]
	}
	return n
}

// FalsePerRoomYear is False by room and year.
func (y Year) FalsePerRoomYear() float64 {
	return float64(y.False()) / (float64(y.Rooms) * float64(y.Days) / 365)
}

// PagesPerNight is the mean number of pages that wake the person.
func (y Year) PagesPerNight() float64 { return float64(y.NightPages) / float64(y.Days) }

// yearReports is how often sensors report, and the engine evaluates, in a
// clean year: ten times as coarse as in incidents, to have an answer within
// minutes. Delays run at their full length all the same.
const yearReports = 5 * time.Minute

// CleanYear lets rooms go through a year, or some days of it, in which
// nothing breaks: weather, visitors, lost reports, one cohort after another
// and keepers who count them.
func CleanYear(ctx context.Context, catalog *species.Catalog, of World, seed uint64, rooms, days int) (Year, error) {
	out := Year{Seed: seed, Rooms: rooms, Days: days, Calls: map[alerts.Condition]int{}, Real: map[alerts.Condition]int{}}
	begin := time.Date(2026, time.January, 5, 0, 0, 0, 0, time.UTC)
	w, err := newWorld(plan{world: of, seed: seed, begin: begin, rooms: rooms, every: yearReports, grid: yearReports}, catalog)
	if err != nil {
		return out, err
	}
	k := keeper{w: w, number: make([]int, rooms)}
	nights := map[string]int{}
	for w.now.Sub(begin) < time.Duration(days)*day {
		if w.now.Hour() == 10 && w.now.Minute() == 0 {
			if err := firstOf(k.round(), ctx.Err()); err != nil {
				return out, err
			}
		}
		if err := w.advance(); err != nil {
			return out, err
		}
		for _, t := range w.steps {
			out.count(w, t)
		}
		for _, row := range w.pages {
			if row.Recipient == "lead" && calls(row) {
				out.Pages++
				if hour := row.CreatedAt.Hour(); hour >= 22 || hour < 7 {
					out.NightPages++
					nights[row.CreatedAt.Add(-7*time.Hour).Format(time.DateOnly)]++
				}
			}
		}
		w.steps, w.pages = w.steps[:0], w.pages[:0]
	}
	for _, n := range nights {
		if n > 2 {
			out.BusyNights++
		}
	}
	return out, nil
}

// count takes in one step of an alarm.
func (y *Year) count(w *world, t records.AlarmTransition) {
	if !t.Annunciate || t.Event == alerts.EventRepeat {
		return
	}
	y.Calls[t.Key.Condition]++
	for _, r := range w.rooms {
		if r.id != t.Key.Room {
			continue
		}
		b := boundsOf(w.sandbox.Snapshot(), r)
		wet := t.Key.Condition == conditions.Condensation && r.WallC < r.DewPointC()
		if r.AirC > b.heatC || r.AirC < b.chillC || t.Key.Condition == conditions.Drying && r.VPDkPa() > b.dryKPa || wet {
			y.Real[t.Key.Condition]++
		}
	}
}

// keeper goes through the rooms once a day: enters new cohorts, counts what
// has passed a milestone, and closes those that have emerged.
type keeper struct {
	w      *world
	number []int
}

func (k *keeper) round() error {
	s := k.w.sandbox.Snapshot()
	for _, a := range s.Alarms {
		if a.State == alerts.Unacknowledged || a.State == alerts.Returned {
			if err := k.w.sandbox.Do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "keeper"}); err != nil {
				return err
			}
		}
	}
	for i, r := range k.w.rooms {
		var here *snapshot.Cohort
		for j := range s.Cohorts {
			if s.Cohorts[j].Room == r.id {
				here = &s.Cohorts[j]
			}
		}
		if here == nil {
			k.number[i]++
			sp := occupants()[(i+k.number[i])%len(occupants())]
			if err := k.w.rear(fmt.Sprintf("r%d-%d", i, k.number[i]), sp, species.Egg, r); err != nil {
				return err
			}
			continue
		}
		if err := k.look(here); err != nil {
			return err
		}
	}
	return nil
}

// look counts a cohort once it has passed a milestone that is not counted yet.
func (k *keeper) look(c *snapshot.Cohort) error {
	counted := func(stage species.StageID) bool {
		return slices.ContainsFunc(c.Counts, func(n population.Count) bool { return n.Stage == stage })
	}
	milestones := map[species.StageID]bool{species.FirstInstar: true, species.Pupa: true, species.Adult: true}
	if !milestones[c.Stage] || counted(c.Stage) {
		return nil
	}
	for _, share := range c.Stages {
		if share.Stage != c.Stage || share.Share < 0.6 {
			continue
		}
		seen := int(share.Share * float64(c.Individuals))
		err := k.w.sandbox.Do(fold.RecordCount{Count: population.Count{
			Cohort: c.ID, Time: k.w.now, Stage: c.Stage, Seen: seen, Of: c.Individuals, By: "keeper",
		}})
		if err != nil || c.Stage != species.Adult {
			return err
		}
		return k.w.sandbox.Do(fold.EndCohort{Cohort: c.ID, At: k.w.now, Who: "keeper"})
	}
	return nil
}
