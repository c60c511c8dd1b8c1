package simulate

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"

	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
)

// Options say which runs to play.
type Options struct {
	// Seed is the first seed, Runs how many of them there are.
	Seed uint64
	Runs int
	// Workers is how many runs are played at a time, 1 if zero.
	Workers int
	// Only, if set, are the kinds of events that befall the facility, and the
	// forms in which sensors speak; Without are left out.
	Only, Without []string
	// Folder holds the records of runs while they are played, the system's
	// own when empty. One in memory is best.
	Folder string
	// Most ends the measurement after so many breaches, 0 for never.
	Most int
	// AsFound leaves breaches as they were found, without shrinking.
	AsFound bool
	// Progress, if set, is called after each run.
	Progress func(done int)
}

// Report is what the runs came to.
type Report struct {
	Runs     int      `json:"runs"`
	Breaches []Breach `json:"breaches"`
}

// allowed are the kinds of events and the forms to draw from.
func (o *Options) allowed() (list []world.Kind, spoken []world.Form, err error) {
	known := append(Kinds(), world.FormNames[:]...)
	for _, name := range append(slices.Clone(o.Only), o.Without...) {
		if !slices.Contains(known, name) {
			return nil, nil, fmt.Errorf("there is no kind of event %q; there are %s", name, strings.Join(known, ", "))
		}
	}
	for _, name := range Kinds() {
		if (len(o.Only) == 0 || slices.Contains(o.Only, name)) && !slices.Contains(o.Without, name) {
			list = append(list, world.Kind(name))
		}
	}
	named := slices.ContainsFunc(world.FormNames[:], func(name string) bool { return slices.Contains(o.Only, name) })
	for i, name := range world.FormNames {
		if (!named || slices.Contains(o.Only, name)) && !slices.Contains(o.Without, name) {
			spoken = append(spoken, world.Form(i))
		}
	}
	if len(spoken) == 0 {
		err = errors.New("no sensor may speak")
	}
	return list, spoken, err
}

// Check says what of the options cannot be used.
func (o *Options) Check() error {
	_, _, err := o.allowed()
	return err
}

// Run plays the runs, and shrinks those that break a rule.
func Run(ctx context.Context, o Options) (Report, error) {
	allowed, spoken, err := o.allowed()
	if err != nil {
		return Report{}, err
	}
	known, err := site.NewCatalogs()
	if err != nil {
		return Report{}, err
	}
	folder, err := os.MkdirTemp(o.Folder, "simulate-")
	if err != nil {
		return Report{}, err
	}
	defer func() { _ = os.RemoveAll(folder) }() // what is left is of no use
	empty, err := emptyRecords(ctx, folder)
	if err != nil {
		return Report{}, err
	}
	w := &work{Options: o, allowed: allowed, spoken: spoken, ground: ground{known, empty}, folder: folder, report: Report{Breaches: []Breach{}}}
	var all sync.WaitGroup
	for range max(1, o.Workers) {
		all.Go(func() { w.play(ctx) })
	}
	all.Wait()
	slices.SortFunc(w.report.Breaches, func(a, b Breach) int { return int(int64(a.Seed) - int64(b.Seed)) })
	return w.report, errors.Join(w.failed, ctx.Err())
}

// work is what is left to play.
type work struct {
	Options
	allowed []world.Kind
	spoken  []world.Form
	ground  ground
	folder  string

	mu     sync.Mutex
	next   int
	report Report
	failed error
}

// take gives the next seed, false when there is none.
func (w *work) take() (uint64, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.next >= w.Runs || w.failed != nil || w.Most > 0 && len(w.report.Breaches) >= w.Most {
		return 0, false
	}
	seed := w.Seed + uint64(w.next)
	w.next++
	return seed, true
}

func (w *work) play(ctx context.Context) {
	for ctx.Err() == nil {
		seed, more := w.take()
		if !more {
			return
		}
		p := world.Draw(seed, w.allowed, w.spoken)
		found, err := play(ctx, p, w.ground, w.folder)
		// A loop that is stuck would be for hours, if it were tried again.
		if found != nil && found.Rule != stuck && !w.AsFound {
			world.Shrink(p, func(s *world.Plan) bool {
				again, err := play(ctx, s, w.ground, w.folder)
				same := err == nil && again != nil && again.Rule == found.Rule
				if same {
					found = again
				}
				return same
			})
		}
		if ctx.Err() != nil {
			// What a run says that was interrupted means nothing.
			return
		}
		w.done(found, err)
	}
}

func (w *work) done(found *Breach, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.report.Runs++
	if found != nil {
		w.report.Breaches = append(w.report.Breaches, *found)
	}
	w.failed = errors.Join(w.failed, err)
	if w.Progress != nil {
		w.Progress(w.report.Runs)
	}
}
