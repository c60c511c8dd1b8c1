package incidents

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/snapshot"
)

// Told is what people were sent about one incident in which they act: whoever is
// called answers after a while, and what is broken is put right a while later.
type Told struct {
	Name string `json:"name"`
	Seed uint64 `json:"seed"`
	// People are those who were sent anything.
	People []ToldPerson `json:"people"`
	// Idle counts calls that say nothing to do, Contradicting calls that bid the
	// opposite of what they or the same incident bid beside them.
	Idle          int      `json:"calls_without_action"`
	Contradicting int      `json:"calls_contradicting"`
	Examples      []string `json:"examples,omitempty"`
}

// ToldPerson is what one person was sent.
type ToldPerson struct {
	Person string `json:"person"`
	// Calls are the notices but for ends, Ends say that it is over, Incidents is
	// into how many incidents rearguard took it apart.
	Calls     int `json:"calls"`
	Ends      int `json:"ends"`
	Incidents int `json:"incidents"`
}

// How people act in an incident: they answer that they go, and have mended it
// within the hour that what is urgent leaves them (common practice, no published
// source).
const (
	answersAfter = 8 * time.Minute
	mendedAfter  = 45 * time.Minute
	// watchedAfter is how long it is looked at what follows the mending.
	watchedAfter = 8 * time.Hour
)

// Attend plays incidents in which people act; see Play.
func Attend(ctx context.Context, catalog *species.Catalog, of World, seeds []uint64, words ...string) ([]Told, error) {
	return forEach(ctx, seeds, words, func(in incident, seed uint64) (Told, error) { return attend(in, of, seed, catalog) })
}

func attend(in incident, of World, seed uint64, catalog *species.Catalog) (Told, error) {
	out := Told{Name: in.name, Seed: seed}
	w, err := settled(in, of, seed, catalog)
	if err != nil {
		return out, err
	}
	mend := w.mending()
	began := w.now
	in.begin(w)
	var called, mended time.Time
	for w.now.Sub(began) < in.lasts && (mended.IsZero() || w.now.Sub(mended) < watchedAfter) {
		if in.then != nil && mended.IsZero() {
			in.then(w, w.now.Sub(began))
		}
		err := firstOf(w.advance(), w.failed, w.answer())
		if err != nil {
			return out, err
		}
		if called.IsZero() && len(w.pages) > 0 {
			called = w.now
		}
		if mended.IsZero() && !called.IsZero() && w.now.Sub(called) >= mendedAfter {
			mended = w.now
			if err = mend(); err != nil {
				return out, err
			}
		}
	}
	err = out.read(w.pages)
	return out, err
}

// mending returns what puts everything back as it is now, but for the weather.
func (w *world) mending() func() error {
	var designs []rehearsal.Design
	for _, r := range w.rooms {
		designs = append(designs, r.Design)
	}
	return func() error {
		for i, r := range w.rooms {
			r.Design, r.Faults, r.TankG = designs[i], 0, designs[i].TankG
			for _, p := range r.probes {
				p.dead, p.stuck, p.wet, p.driftC, p.spikeC = false, false, false, 0, 0
			}
		}
		if w.broker {
			return nil
		}
		w.broker = true
		return w.sandbox.Link(snapshot.Link{Address: "tcp://127.0.0.1:1883", Connected: true, Subscribed: true, Since: w.now})
	}
}

// answer has whoever was called take on what has called for long enough.
func (w *world) answer() error {
	s := w.sandbox.Snapshot()
	for k := range s.Incidents {
		i := &s.Incidents[k]
		key, waits := rehearsal.Waiting(s, i, answersAfter, w.now)
		if !waits {
			continue
		}
		who := "Lead"
		if slices.Max(i.Told) == alerts.Low {
			who = "Keeper"
		}
		err := w.sandbox.Do(fold.Order{Verb: alerts.Going, Key: key, Who: who, Incident: true})
		if err != nil {
			return err
		}
	}
	return nil
}

// read takes in what was sent.
func (o *Told) read(rows []notify.Notice) error {
	people := map[string]*ToldPerson{}
	seen := map[string]map[int64]bool{}
	last := map[int64]notify.AlarmNotice{}
	for _, row := range rows {
		var n notify.AlarmNotice
		err := json.Unmarshal(row.Payload, &n)
		if err != nil {
			return fmt.Errorf("notice %s: %w", row.Key, err)
		}
		p := people[row.Recipient]
		if p == nil {
			p = &ToldPerson{Person: row.Recipient}
			people[row.Recipient], seen[row.Recipient] = p, map[int64]bool{}
		}
		if !seen[row.Recipient][n.Occurrence] {
			seen[row.Recipient][n.Occurrence] = true
			p.Incidents++
		}
		if n.Kind == notify.Cleared {
			p.Ends++
			continue
		}
		p.Calls++
		if n.FirstAction == "" {
			o.Idle++
		}
		if why := contradiction(&n, last[n.Occurrence]); why != "" {
			o.Contradicting++
			o.Examples = append(o.Examples, why)
		}
		last[n.Occurrence] = n
	}
	for _, p := range people {
		o.People = append(o.People, *p)
	}
	slices.SortFunc(o.People, func(a, b ToldPerson) int { return b.Calls - a.Calls })
	return nil
}

// bid is one thing that advice can ask for; its opposite cannot be done beside it.
type bid struct{ does, opposite *regexp.Regexp }

// bids are the pairs that contradict: outside air in or kept out, moisture added
// or taken away, warmed or cooled.
var bids = []bid{
	{regexp.MustCompile(`(?i)open the door|ventilate`), regexp.MustCompile(`(?i)close (the )?(door|vents)`)},
	{regexp.MustCompile(`(?i)fill the humidifier|hang wet cloths`), regexp.MustCompile(`(?i)humidifier off|lower the humidity`)},
	{regexp.MustCompile(`(?i)spare heater|raise the room's set point|heater has power`), regexp.MustCompile(`(?i)heater off|cooler room`)},
}

// Contradict reports whether two pieces of advice bid opposite things.
func Contradict(a, b string) bool {
	return slices.ContainsFunc(bids, func(x bid) bool {
		return x.does.MatchString(a) && x.opposite.MatchString(b) || x.does.MatchString(b) && x.opposite.MatchString(a)
	})
}

// contradiction says what in a call bids the opposite of its own steps, or of the
// call before about the same incident while that is still on; empty for nothing.
func contradiction(n *notify.AlarmNotice, before notify.AlarmNotice) string {
	all := append([]string{n.FirstAction}, n.Steps...)
	for i := range all {
		for _, other := range all[i+1:] {
			if Contradict(all[i], other) {
				return fmt.Sprintf("%q beside %q", all[i], other)
			}
		}
	}
	still := slices.ContainsFunc(n.Others, func(c notify.Companion) bool { return c.Title == before.Title })
	if still && Contradict(before.FirstAction, n.FirstAction) {
		return fmt.Sprintf("%q after %q", n.FirstAction, before.FirstAction)
	}
	return ""
}

// ToldKind sums up one kind of incident over its seeds and people.
type ToldKind struct {
	Name string `json:"name"`
	// Calls per person: the median and what nine of ten have at most; Ends the
	// median of ends.
	MedianCalls   int `json:"median_calls"`
	MostCalls     int `json:"p90_calls"`
	MedianEnds    int `json:"median_ends"`
	People        int `json:"people"`
	Idle          int `json:"calls_without_action"`
	Contradicting int `json:"calls_contradicting"`
}

// SumTold gives one line for each kind of incident, in order, and one for all of
// them at the end.
func SumTold(list []Told) []ToldKind {
	var kinds []ToldKind
	var names []string
	for _, t := range list {
		if !slices.Contains(names, t.Name) {
			names = append(names, t.Name)
		}
	}
	for _, name := range append(names, "all") {
		k := ToldKind{Name: name}
		var calls, ends []int
		for _, t := range list {
			if t.Name != name && name != "all" {
				continue
			}
			k.Idle += t.Idle
			k.Contradicting += t.Contradicting
			for _, p := range t.People {
				calls, ends = append(calls, p.Calls), append(ends, p.Ends)
			}
		}
		k.People = len(calls)
		if len(calls) > 0 {
			slices.Sort(calls)
			slices.Sort(ends)
			k.MedianCalls, k.MostCalls, k.MedianEnds = calls[(len(calls)-1)/2], calls[(len(calls)-1)*9/10], ends[(len(ends)-1)/2]
		}
		kinds = append(kinds, k)
	}
	return kinds
}
