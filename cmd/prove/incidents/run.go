package incidents

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
)

// Outcome is how one incident went. Nobody acts in it: what is measured is
// how long a person would have had.
type Outcome struct {
	Name string `json:"name"`
	Seed uint64 `json:"seed"`
	// Harmful is set when the animals had a tenth of the lethal dose before
	// the end; HarmAfter is how long after the beginning that was, InjuryAfter
	// when the limit was first passed.
	Harmful     bool          `json:"harmful"`
	HarmAfter   time.Duration `json:"harm_after,omitempty"`
	InjuryAfter time.Duration `json:"limit_passed_after,omitempty"`
	// Found is set when a person was called about it; FoundAfter is how long
	// that took and FoundBy the condition.
	Found      bool             `json:"found"`
	FoundAfter time.Duration    `json:"found_after,omitempty"`
	FoundBy    alerts.Condition `json:"found_by,omitempty"`
	// Injury is the share of the lethal dose at that time.
	Injury float64 `json:"injury_when_found"`
	// Heat is set for incidents that overheat animals, Prompt for those whose
	// cause is promised to be named in time.
	Heat   bool `json:"heat"`
	Prompt bool `json:"prompt"`
	// NamedAfter is how long after the beginning one of the causes wanted was
	// first named, 0 where none was.
	NamedAfter time.Duration `json:"named_after,omitempty"`
	// Wanted are the conditions that name the cause, Named those named.
	Wanted []alerts.Condition `json:"causes_wanted,omitempty"`
	Named  []alerts.Condition `json:"causes_named,omitempty"`
	Cause  CauseVerdict       `json:"cause"`
	// Pages counts the notices that called somebody, Elsewhere the calls about
	// rooms that were well.
	Pages     int `json:"pages"`
	Elsewhere int `json:"calls_elsewhere"`
}

// CauseVerdict says how well the cause was told.
type CauseVerdict string

// The verdicts.
const (
	CauseRight CauseVerdict = "right"
	CauseWrong CauseVerdict = "wrong"
	// CauseNotTold is an alarm that says honestly that it cannot tell.
	CauseNotTold CauseVerdict = "not told"
)

// Missed is a harmful incident that was not found before a tenth of the
// lethal dose.
func (o Outcome) Missed() bool { return o.Harmful && (!o.Found || o.FoundAfter >= o.HarmAfter) }

// Warning is the time from the first call to harm, false where one of the two
// never came.
func (o Outcome) Warning() (time.Duration, bool) {
	return o.HarmAfter - o.FoundAfter, o.Harmful && o.Found
}

// harmful is the share of the lethal dose that counts as harm.
const harmful = 0.1

// warmUp is how long the engine watches a room before it fails: a day and a
// bit, so that it knows what is usual there.
const warmUp = 26 * time.Hour

// occupants are the species whose cohorts the rooms hold.
func occupants() []species.ID {
	return []species.ID{"danaus-plexippus", "attacus-atlas", "bombyx-mori", "heliconius-melpomene", "papilio-polytes", "morpho-peleides"}
}

func stages() []species.StageID { return []species.StageID{"egg", "larva-2", "larva-4", "pupa"} }

// named are the incidents of the library whose name contains one of the words,
// all if there is none.
func named(words []string) []incident {
	if len(words) == 0 {
		return library()
	}
	return slices.DeleteFunc(library(), func(i incident) bool {
		return !slices.ContainsFunc(words, func(word string) bool { return strings.Contains(i.name, word) })
	})
}

// Names lists the incidents that Play plays with the same words.
func Names(words ...string) []string {
	var names []string
	for _, i := range named(words) {
		names = append(names, i.name)
	}
	return names
}

// Play plays incidents in rooms of a world for each seed; only those whose name
// contains one of the words, all if there is none.
func Play(ctx context.Context, catalog *species.Catalog, of World, seeds []uint64, words ...string) ([]Outcome, error) {
	return forEach(ctx, seeds, words, func(in incident, seed uint64) (Outcome, error) { return rehearse(in, of, seed, catalog) })
}

// forEach does something for each incident and seed, some at a time.
func forEach[T any](ctx context.Context, seeds []uint64, words []string, do func(incident, uint64) (T, error)) ([]T, error) {
	type job struct {
		incident
		seed uint64
	}
	var jobs []job
	for _, i := range named(words) {
		for _, seed := range seeds {
			jobs = append(jobs, job{i, seed})
		}
	}
	out := make([]T, len(jobs))
	err := parallel(ctx, len(jobs), func(n int) error {
		var err error
		if out[n], err = do(jobs[n].incident, jobs[n].seed); err != nil {
			return fmt.Errorf("incident %q, seed %d: %w", jobs[n].name, jobs[n].seed, err)
		}
		return nil
	})
	return out, err
}

// workers is how many rehearsals run at once.
const workers = 2

// parallel does n jobs, some at a time, and returns the first error.
func parallel(ctx context.Context, n int, do func(int) error) error {
	var wg sync.WaitGroup
	next := make(chan int)
	errs := make(chan error, workers)
	for range workers {
		wg.Go(func() {
			for i := range next {
				if err := do(i); err != nil {
					errs <- err
					return
				}
			}
		})
	}
	var failed error
	for i := 0; i < n && failed == nil; i++ {
		select {
		case next <- i:
		case failed = <-errs:
		case <-ctx.Done():
			failed = ctx.Err()
		}
	}
	close(next)
	wg.Wait()
	select {
	case err := <-errs:
		if failed == nil {
			failed = err
		}
	default:
	}
	return failed
}

// settled is a facility that the engine has watched for long enough when an
// incident begins.
func settled(in incident, of World, seed uint64, catalog *species.Catalog) (*world, error) {
	p := plan{world: of, seed: seed*1_000_003 + hash(in.name), rooms: 3, every: of.every(), grid: of.every(), meanC: in.season.meanC()}
	p.begin = time.Date(2026, in.season.month(), 3+int(p.seed%20), 0, 0, 0, 0, time.UTC)
	w, err := newWorld(p, catalog)
	if err != nil {
		return nil, err
	}
	for i, r := range w.rooms {
		sp, stage := occupants()[w.rng.IntN(len(occupants()))], stages()[w.rng.IntN(len(stages()))]
		if err := w.rear(fmt.Sprintf("c%d", i), sp, stage, r); err != nil {
			return nil, err
		}
	}
	wait := warmUp
	if in.hour >= 0 {
		wait += time.Duration((in.hour+24-2)%24) * time.Hour
	} else {
		wait += time.Duration(w.rng.IntN(24)) * time.Hour
	}
	wait += time.Duration(w.rng.IntN(60)) * time.Minute
	for w.now.Sub(p.begin) < wait {
		if err := w.advance(); err != nil {
			return nil, err
		}
	}
	w.steps, w.pages = nil, nil
	return w, nil
}

// rehearse plays one incident.
func rehearse(in incident, of World, seed uint64, catalog *species.Catalog) (Outcome, error) {
	out := Outcome{Name: in.name, Seed: seed, Heat: in.heat, Prompt: in.prompt, Wanted: in.cause}
	w, err := settled(in, of, seed, catalog)
	if err != nil {
		return out, err
	}
	b := boundsOf(w.sandbox.Snapshot(), w.rooms[0])
	began := w.now
	in.begin(w)
	for taken := 0; w.now.Sub(began) < in.lasts; {
		if in.then != nil {
			in.then(w, w.now.Sub(began))
		}
		if err := w.advance(); err != nil || w.failed != nil {
			return out, firstOf(err, w.failed)
		}
		out.follow(w, b, began)
		for ; taken < len(w.steps); taken++ {
			out.step(w, w.steps[taken], began, in)
		}
	}
	out.pages(w)
	out.judge(in.damp)
	return out, nil
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func hash(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h % 1_000_003
}

// follow counts what the animals of the first room have suffered so far.
func (o *Outcome) follow(w *world, b bounds, began time.Time) {
	r := w.rooms[0]
	before := w.dose.most()
	w.dose.add(b, r, w.every)
	since := w.now.Sub(began)
	if o.InjuryAfter == 0 && (r.AirC > b.heatC || r.AirC < b.chillC || r.VPDkPa() > b.dryKPa) {
		o.InjuryAfter = since
	}
	if before < harmful && w.dose.most() >= harmful {
		o.Harmful, o.HarmAfter = true, since
	}
}

// step takes in one step of an alarm.
func (o *Outcome) step(w *world, t records.AlarmTransition, began time.Time, in incident) {
	ours := in.everywhere || t.Key.Room == w.rooms[0].id || t.Key.Room == "" && len(w.rooms) > 0
	// What is said of a cause once the harm is done no longer helps anybody.
	late := o.Harmful && t.Time.Sub(began) > o.HarmAfter
	if names(t.Key.Condition) && ours && !late && t.Event == alerts.EventRaise && !slices.Contains(o.Named, t.Key.Condition) {
		o.Named = append(o.Named, t.Key.Condition)
		if o.NamedAfter == 0 && slices.Contains(in.cause, t.Key.Condition) {
			o.NamedAfter = t.Time.Sub(began)
		}
	}
	if !t.Annunciate || t.Event == alerts.EventRepeat {
		return
	}
	if !ours {
		o.Elsewhere++
		return
	}
	if !o.Found && tells(t.Key.Condition, in) {
		o.Found, o.FoundAfter, o.FoundBy, o.Injury = true, t.Time.Sub(began), t.Key.Condition, w.dose.most()
	}
}

// tells reports whether a call can be about an incident at all: that water
// condenses or a sensor is silent does not find a failed heater.
func tells(c alerts.Condition, in incident) bool {
	switch c {
	case conditions.SensorSilent, conditions.SensorFault, conditions.Condensation, conditions.DaySwing,
		conditions.CohortOverdue, conditions.CohortStalled:
		return slices.Contains(in.cause, c) || in.damp && c == conditions.Condensation
	}
	return true
}

// names reports whether a condition names a cause and not a consequence.
func names(c alerts.Condition) bool {
	switch c {
	case conditions.HumidifierExhausted, conditions.HeaterStuckOn, conditions.HeatingWeak, conditions.DoorOpen,
		conditions.PowerLost, conditions.MainsLost, conditions.BrokerLost, conditions.SensorSilent,
		conditions.SensorFault, conditions.RoomBlind:
		return true
	}
	return false
}

func (o *Outcome) pages(w *world) {
	seen := map[string]bool{}
	for _, row := range w.pages {
		if row.Recipient == "lead" && calls(row) && !seen[row.Key] {
			seen[row.Key] = true
			o.Pages++
		}
	}
}

// judge compares the causes named with those wanted. What follows from a
// cause, silence after the power is gone, is not held against it.
func (o *Outcome) judge(damp bool) {
	o.Cause = CauseNotTold
	var wrong bool
	for _, c := range o.Named {
		switch {
		case slices.Contains(o.Wanted, c):
			o.Cause = CauseRight
		case follows(c, o.Wanted), damp && c == conditions.SensorFault:
		default:
			wrong = true
		}
	}
	switch {
	case wrong:
		o.Cause = CauseWrong
	case len(o.Wanted) == 0:
		// Nothing can be told, and nothing was.
		o.Cause = CauseRight
	}
}

// follows says which conditions are a consequence of the causes wanted.
func follows(c alerts.Condition, wanted []alerts.Condition) bool {
	for _, cause := range wanted {
		switch cause {
		case conditions.MainsLost:
			return c == conditions.PowerLost || c == conditions.HeatingWeak || c == conditions.SensorSilent || c == conditions.RoomBlind || c == conditions.SensorFault
		case conditions.PowerLost:
			return c == conditions.SensorSilent || c == conditions.RoomBlind || c == conditions.HeatingWeak || c == conditions.SensorFault
		case conditions.BrokerLost:
			return c == conditions.SensorSilent || c == conditions.RoomBlind
		case conditions.HeaterStuckOn:
			return c == conditions.SensorSilent || c == conditions.SensorFault || c == conditions.RoomBlind
		}
	}
	return false
}

func calls(row notify.Notice) bool {
	return strings.Contains(string(row.Payload), `"kind":"raised"`) || strings.Contains(string(row.Payload), `"kind":"reminder"`)
}
