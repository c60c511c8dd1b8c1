package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"rearguard/alerts/notify/letter"
	"rearguard/daemon/alarming"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/records"
	"rearguard/daemon/records/drills"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web/people"
)

// peopleDesk is the people as pages see them, by the configuration in force, and
// starts tests and drills.
type peopleDesk struct {
	*links
	invented bool
	// wake tells that there are notices to be delivered.
	wake func()
	// problem is what DrillProblem last said.
	problem atomic.Pointer[string]
}

// People are those of the configuration, with how the roster has them told.
func (d *peopleDesk) People() []people.Person {
	f := d.facility()
	list := make([]people.Person, len(f.People))
	for i, p := range f.People {
		list[i] = people.Person{ID: p.ID, Name: p.Name}
		for _, duty := range f.Roster {
			if !slices.Contains(duty.Who, p.ID) {
				continue
			}
			for _, channel := range duty.Channels {
				list[i].Ways = with(list[i].Ways, channel, duty)
			}
		}
	}
	return list
}

// with adds what a line of the roster says of a channel.
func with(ways []people.Way, channel string, duty facility.Duty) []people.Way {
	at := slices.IndexFunc(ways, func(w people.Way) bool { return w.Channel == channel })
	if at < 0 {
		at, ways = len(ways), append(ways, people.Way{Channel: channel})
	}
	for _, p := range duty.Priorities {
		if !slices.Contains(ways[at].Priorities, p) {
			ways[at].Priorities = append(ways[at].Priorities, p)
		}
	}
	return ways
}

// Trials are the newest tests and drills.
func (d *peopleDesk) Trials(ctx context.Context, most int) (people.Trials, error) {
	list, err := drills.Newest(ctx, d.reader, most)
	if err != nil {
		return people.Trials{}, err
	}
	f, now := d.facility(), d.clock()
	t := people.Trials{List: list, Next: f.Drills.Next(now, f.Site.Location)}
	t.Problem, err = DrillProblem(ctx, d.reader, f, now)
	return t, err
}

// Test sends somebody a test by one channel or by each of theirs.
func (d *peopleDesk) Test(ctx context.Context, person, channel, who string) error {
	list := d.People()
	at := slices.IndexFunc(list, func(p people.Person) bool { return p.ID == person })
	if at < 0 {
		return fmt.Errorf("person %q is %w: choose somebody of facility.yaml", person, snapshot.ErrUnknown)
	}
	var to []drills.Target
	for _, w := range list[at].Ways {
		if channel == "" || channel == w.Channel {
			to = append(to, drills.Target{Person: person, Channel: w.Channel})
		}
	}
	if len(to) == 0 && channel != "" {
		return fmt.Errorf("channel %q is %w to %s: choose one that the roster gives this person", channel, snapshot.ErrUnknown, list[at].Name)
	}
	return d.begin(ctx, drills.Start{Who: who, Targets: to})
}

// Drill sends everybody on the roster a test by each of their channels.
func (d *peopleDesk) Drill(ctx context.Context, who string) error {
	return d.begin(ctx, drills.Start{Whole: true, Who: who, Targets: d.everybody()})
}

// everybody is on the roster and not away.
func (d *peopleDesk) everybody() []drills.Target {
	called, now := d.facility().Called(), d.clock()
	var to []drills.Target
	for _, p := range d.People() {
		if called.IsAway(p.ID, now) {
			continue
		}
		for _, w := range p.Ways {
			to = append(to, drills.Target{Person: p.ID, Channel: w.Channel})
		}
	}
	return to
}

func (d *peopleDesk) begin(ctx context.Context, s drills.Start) error {
	f := d.facility()
	s.Facility, s.Invented = f.Site.Name, d.invented
	readers := alarming.Readers(f)
	for i := range s.Targets {
		r := readers[s.Targets[i].Person]
		s.Targets[i].Audience = letter.Audience{Zone: f.Site.Location.String(), Language: r.Language, Scale: r.Scale}
	}
	if f.Web.PublicURL != "" {
		s.Link = f.Web.PublicURL + "/people"
	}
	err := d.book.Begin(ctx, s, d.clock())
	for _, refusal := range []error{drills.ErrSoon, drills.ErrNobody, drills.ErrDone} {
		if errors.Is(err, refusal) {
			return fmt.Errorf("%w: %w", fold.ErrRefused, refusal)
		}
	}
	if err == nil {
		d.wake()
	}
	return err
}

// Arrived notes that the test of a number arrived, as somebody says.
func (d *peopleDesk) Arrived(ctx context.Context, number int64, who string) error {
	return d.book.Arrived(ctx, number, time.Time{}, who, d.clock())
}

// bySchedule starts the drill that is due, if there is one.
func (d *peopleDesk) bySchedule(ctx context.Context, log *slog.Logger) {
	f := d.facility()
	period := f.Drills.Starts(d.clock(), f.Site.Location)
	if period == "" {
		return
	}
	err := d.begin(ctx, drills.Start{Whole: true, Period: period, Targets: d.everybody()})
	switch {
	case err == nil:
		log.Info("a drill was started", "period", period)
	case !errors.Is(err, drills.ErrDone) && ctx.Err() == nil:
		log.Error("the drill could not be started; it will be tried again", "period", period, "error", err)
	}
}

// drillEvery is how often it is looked whether a drill is due.
const drillEvery = time.Minute

// drill starts drills by the schedule, until ctx ends. A drill cannot be called
// back, so none is started by a clock that is not believed.
func (s *service) drill(ctx context.Context) {
	var last time.Time
	s.eachTick(ctx, func() {
		if now := s.now(); s.clock.Settled() && (last.IsZero() || now.Before(last) || now.Sub(last) >= drillEvery) {
			last = now
			s.people.bySchedule(ctx, s.Logger)
			s.people.look(ctx)
		}
	})
}

// look sees whether anything is wrong with drills. What cannot be read now stays
// as it was.
func (d *peopleDesk) look(ctx context.Context) {
	if problem, err := DrillProblem(ctx, d.reader, d.facility(), d.clock()); err == nil {
		d.problem.Store(&problem)
	}
}

// unproven says why it is not known whether notices arrive, empty for nothing.
func (d *peopleDesk) unproven() string {
	if p := d.problem.Load(); p != nil {
		return *p
	}
	return ""
}

// DrillProblem says what is wrong with drills at a time, by the records; empty
// for nothing.
func DrillProblem(ctx context.Context, reader *records.Reader, f *facility.Facility, now time.Time) (string, error) {
	list, err := drills.Last(ctx, reader)
	if err != nil {
		return "", err
	}
	names := map[string]string{}
	for _, p := range f.People {
		names[p.ID] = p.Name
	}
	var last time.Time
	if len(list) > 0 {
		last = list[0].Began
	}
	if f.Drills.Overdue(last, now) {
		if last.IsZero() {
			return "no drill has been made yet: start one", nil
		}
		return fmt.Sprintf("the last drill was on %s, and one is wanted %s: start one", last.In(f.Site.Location).Format("2 January 2006"), f.Drills.Every), nil
	}
	// Until the last has had its time, the one before counts.
	for k := range list {
		if !list[k].Ended(now) {
			continue
		}
		var silent []string
		for _, id := range list[k].Silent() {
			if names[id] != "" { // whoever has left owes no answer
				silent = append(silent, names[id])
			}
		}
		if len(silent) == 0 {
			return "", nil
		}
		return fmt.Sprintf("%s did not answer the drill of %s: ask whether it arrived, and send a test", strings.Join(silent, ", "), list[k].Began.In(f.Site.Location).Format("2 January 2006")), nil
	}
	return "", nil
}
