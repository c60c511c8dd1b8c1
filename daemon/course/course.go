// Package course follows a cohort along the air of the rooms it stands in:
// what is settled of the air is gone along once, what is not is gone along
// anew for every look, and what turns out to have been otherwise is gone
// through again.
package course

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/roomair"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Course is the way of one cohort.
type Course struct {
	Cohort  population.Cohort
	Species *species.Species
	Counts  []population.Count

	// base is the progress along the settled air; live, recomputed for every
	// look, goes on to the newest reading.
	base position
	live *population.Progress
	// liveAir is the air that live has gone along.
	liveAir AirSum
	// waiting are settled segments that must not be gone along yet, since the
	// air of the room the cohort came from is not known up to its move.
	waiting []roomair.Segment
	// marks are hourly copies of base, to go back to.
	marks []position
	// redo is the time from which base must be gone through again, zero if
	// it need not.
	redo time.Time
	// madeOf is what live was made of.
	madeOf liveSource
	// rewound is how it was before the clock was last set back, nil where that
	// changed nothing.
	rewound *Rewound
}

// Rewound is what was entered of a cohort before the clock was set back from one
// time to another.
type Rewound struct {
	From       time.Time              `json:"from"`
	To         time.Time              `json:"to"`
	Start      time.Time              `json:"start"`
	Placements []population.Placement `json:"placements"`
}

// undoneBy reports whether the clock, set forward by so much, is about as it
// was. A clock that was put right need not have been right before, and where it
// was put right while nothing ran, the time in between is in the step.
func (r *Rewound) undoneBy(by time.Duration) bool {
	back := r.From.Sub(r.To)
	return (by - back).Abs() <= time.Minute+back/20
}

// undo takes in that a step back was wrong: what was entered before it is as it
// was, and what was entered since is moved along.
func (c *Course) undo(by time.Duration) (changed bool) {
	was := c.rewound
	c.rewound = nil
	start := c.Cohort.Start.Equal(was.To)
	var placements []int
	for i := range min(len(was.Placements), len(c.Cohort.Placements)) {
		if c.Cohort.Placements[i].From.Equal(was.To) {
			placements = append(placements, i)
		}
	}
	changed = c.Forward(was.To, min(by, was.From.Sub(was.To)))
	if start {
		c.Cohort.Start = was.Start
	}
	for _, i := range placements {
		c.Cohort.Placements[i].From = was.Placements[i].From
	}
	if changed {
		c.redo = c.Cohort.Start
	}
	return changed
}

// liveSource tells apart what a live progress is made from.
type liveSource struct {
	base    *population.Progress
	baseAt  time.Time
	counted int
	waiting int
	rooms   uint64
}

// position is a population.Progress with the end of the air it has gone along.
type position struct {
	*population.Progress
	endC   float64
	hasAir bool
	// counted is how many of the cohort's counts have been applied.
	counted int
	air     AirSum
}

func (p position) clone() position {
	p.Progress = p.Progress.Clone()
	p.air.Steps = slices.Clip(p.air.Steps)
	return p
}

// Tracks gives the track of a room, nil if there is no such room.
type Tracks func(sensors.RoomID) *roomair.Track

// moveGrace is how long a cohort that was moved waits for the last air of the
// room it came from before the gap is bridged.
const moveGrace = time.Hour

// marksKept bounds the hourly marks of a cohort in memory.
const marksKept = 24

// New returns the course of a cohort that has gone along nothing yet.
func New(cohort population.Cohort, sp *species.Species) (*Course, error) {
	c := &Course{Cohort: cohort, Species: sp}
	fresh, err := population.NewProgress(sp, &c.Cohort)
	if err != nil {
		return nil, err
	}
	c.base = position{Progress: fresh}
	c.RedoFrom(cohort.Start)
	return c, nil
}

// Changed returns a copy to change and redo: the original stays as it is.
func (c *Course) Changed() *Course {
	next := *c
	next.Counts = slices.Clone(c.Counts)
	next.Cohort.Placements = slices.Clone(c.Cohort.Placements)
	next.waiting = slices.Clone(c.waiting)
	return &next
}

// Live is the progress up to the newest reading, as of the last GoLive; nil
// before the first. It is never changed once it is made, so it may be shared.
func (c *Course) Live() *population.Progress { return c.live }

// RedoFrom asks for the way to be gone through again from a time on.
func (c *Course) RedoFrom(t time.Time) {
	if c.redo.IsZero() || t.Before(c.redo) {
		c.redo = t
	}
}

// Step takes in that the clock was moved, with the air settled up to a time from
// then on. Since is since when the clock was doubted, zero if it was not. It
// reports whether the cohort itself was changed.
func (c *Course) Step(from, to, settled, since time.Time) (changed bool) {
	switch {
	case to.Before(from):
		was := Rewound{From: from, To: to, Start: c.Cohort.Start, Placements: c.Cohort.Placements}
		if changed = c.Rewind(settled, to); changed {
			c.rewound = &was
		}
		return changed
	case c.rewound != nil && c.rewound.undoneBy(to.Sub(from)):
		return c.undo(to.Sub(from))
	case since.IsZero():
		return false
	case c.Cohort.Start.Before(timekeeping.Earliest()):
		// It was entered by a clock that knew no date, and all of it is moved.
		since = time.Time{}
	}
	return c.Forward(since, to.Sub(from))
}

// Resume takes in that nothing was heard from one time to another. If that is as
// long as the clock was set back before, it was set right meanwhile: the machine
// was started anew. It reports whether the cohort itself was changed.
func (c *Course) Resume(from, to time.Time) (changed bool) {
	if c.rewound == nil || !c.rewound.undoneBy(to.Sub(from)) {
		return false
	}
	return c.undo(to.Sub(from))
}

// Rewind takes in that the clock was set back to a time, with the air settled up
// to another: what was entered as of later was entered by now, and what was gone
// along after that is gone along again. It reports whether the cohort itself was
// changed.
func (c *Course) Rewind(settled, now time.Time) (changed bool) {
	clip := func(t *time.Time) {
		if t.After(now) {
			*t, changed = now, true
		}
	}
	c.eachTime(clip)
	slices.SortFunc(c.Counts, population.CompareCounts)
	if changed || c.base.Time().After(settled) || len(c.waiting) > 0 {
		c.RedoFrom(desk.Earlier(settled, c.Cohort.Start))
	}
	return changed
}

// Forward takes in that the clock was set forward: what was entered since a time
// was entered by the clock as it was, and is moved along. It reports whether the
// cohort itself was changed.
func (c *Course) Forward(since time.Time, by time.Duration) (changed bool) {
	move := func(t *time.Time) {
		if !t.Before(since) {
			*t, changed = t.Add(by), true
		}
	}
	c.eachTime(move)
	if changed {
		c.marks, c.redo = nil, c.Cohort.Start
	}
	return changed
}

// eachTime changes the times that were entered. The lists are copied before,
// since others share them.
func (c *Course) eachTime(change func(*time.Time)) {
	c.Cohort.Placements, c.Counts = slices.Clone(c.Cohort.Placements), slices.Clone(c.Counts)
	change(&c.Cohort.Start)
	for i := range c.Cohort.Placements {
		change(&c.Cohort.Placements[i].From)
	}
	for i := range c.Counts {
		change(&c.Counts[i].Time)
	}
}

// Behind reports whether something is still to be taken into the cohort's
// past.
func (c *Course) Behind(tracks Tracks) bool {
	if !c.redo.IsZero() {
		return true
	}
	return slices.ContainsFunc(c.Cohort.Placements, func(p population.Placement) bool {
		t := tracks(p.Room)
		return t != nil && !t.Late.From.IsZero()
	})
}

// goAlong moves p along a segment of the cohort's own air. Air that is
// missing before it is bridged: by a straight line from where the known air
// ended, or, before the first reading, by the first temperature.
func (c *Course) goAlong(p *position, seg roomair.Segment) error {
	if !seg.To.After(p.Time()) {
		return nil
	}
	if gap := p.Time(); seg.From.After(gap) {
		fromC := seg.FromC
		if p.hasAir {
			fromC = p.endC
		}
		if err := c.advance(p, roomair.Segment{From: gap, To: seg.From, FromC: fromC, ToC: seg.FromC, Estimated: true}); err != nil {
			return err
		}
	}
	return c.advance(p, seg)
}

// advance moves p along seg, stopping at each count on the way to take it
// into account.
func (c *Course) advance(p *position, seg roomair.Segment) error {
	for p.counted < len(c.Counts) && !c.Counts[p.counted].Time.After(seg.To) {
		count := c.Counts[p.counted]
		if part, ok := seg.Clip(seg.From, count.Time); ok {
			if err := p.Advance(population.Segment(part)); err != nil {
				return err
			}
		}
		p.counted++
		if !count.Undone {
			if err := p.Count(count); err != nil {
				return fmt.Errorf("count %d of cohort %s: %w", count.ID, c.Cohort.ID, err)
			}
		}
	}
	if err := p.Advance(population.Segment(seg)); err != nil {
		return fmt.Errorf("cohort %s: %w", c.Cohort.ID, err)
	}
	p.air.add(seg)
	p.endC, p.hasAir = seg.ToC, true
	return nil
}

// pieces passes the parts of a room's segment during which the cohort stood
// in the room to emit.
func (c *Course) pieces(room sensors.RoomID, seg roomair.Segment, emit func(roomair.Segment)) {
	for i, p := range c.Cohort.Placements {
		if p.Room != room {
			continue
		}
		until := seg.To
		if i+1 < len(c.Cohort.Placements) && c.Cohort.Placements[i+1].From.Before(until) {
			until = c.Cohort.Placements[i+1].From
		}
		if end := c.Cohort.Ended; !end.IsZero() && end.Before(until) {
			until = end
		}
		if part, ok := seg.Clip(desk.Later(p.From, seg.From), until); ok {
			emit(part)
		}
	}
}

func byTime(a, b roomair.Segment) int {
	return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To))
}

// RoomsSince are the rooms the cohort stood in after a time.
func (c *Course) RoomsSince(from time.Time) []sensors.RoomID {
	var ids []sensors.RoomID
	for i, p := range c.Cohort.Placements {
		over := i+1 < len(c.Cohort.Placements) && !c.Cohort.Placements[i+1].From.After(from)
		if !over && !slices.Contains(ids, p.Room) {
			ids = append(ids, p.Room)
		}
	}
	return ids
}

// Settle goes along the segments that the rooms have settled up to at.
func (c *Course) Settle(settled map[sensors.RoomID][]roomair.Segment, tracks Tracks, at time.Time) error {
	for _, room := range c.RoomsSince(c.base.Time()) {
		for _, seg := range settled[room] {
			c.pieces(room, seg, func(part roomair.Segment) {
				if part.From.Before(c.base.Time()) && c.base.hasAir {
					// Its place was bridged already; go back before it.
					c.RedoFrom(part.From)
				}
				c.waiting = append(c.waiting, part)
			})
		}
	}
	if !c.redo.IsZero() {
		return nil
	}
	if err := c.goAlongWaiting(tracks, at); err != nil {
		return err
	}
	c.mark(at)
	return nil
}

// goAlongWaiting takes the waiting segments in order, as far as the air is
// known without a hole.
func (c *Course) goAlongWaiting(tracks Tracks, at time.Time) error {
	slices.SortFunc(c.waiting, byTime)
	until := c.knownUntil(tracks, at)
	n := 0
	for n < len(c.waiting) && c.waiting[n].From.Before(until) {
		if err := c.goAlong(&c.base, c.waiting[n]); err != nil {
			return err
		}
		n++
	}
	c.waiting = slices.Delete(c.waiting, 0, n)
	return nil
}

// knownUntil is the first move whose air is still outstanding, or at.
func (c *Course) knownUntil(tracks Tracks, at time.Time) time.Time {
	for i := 1; i < len(c.Cohort.Placements); i++ {
		moved := c.Cohort.Placements[i].From
		from := tracks(c.Cohort.Placements[i-1].Room)
		if from == nil || !moved.Before(at) || at.Sub(moved) > moveGrace {
			continue
		}
		if from.Curve.Point.Before(moved) {
			return moved
		}
	}
	return at
}

// mark keeps a copy of base once an hour.
func (c *Course) mark(at time.Time) {
	if n := len(c.marks); n > 0 && !c.marks[n-1].Time().Before(at.Truncate(time.Hour)) {
		return
	}
	if n := len(c.marks); n > 0 && c.marks[n-1].Time().Equal(c.base.Time()) {
		return
	}
	if len(c.marks) >= marksKept {
		c.marks = slices.Delete(c.marks, 0, 1)
	}
	c.marks = append(c.marks, c.base.clone())
}

// Past passes the segments of a room from a time up to where the room is
// settled to emit.
type Past func(room sensors.RoomID, from time.Time, emit func(roomair.Segment)) error

// Redo goes through the way again if its past has changed: from the newest
// mark before the change, along the air that past gives. When the past cannot
// be read everything stays as it was, to be redone later.
func (c *Course) Redo(past Past, tracks Tracks, at time.Time) error {
	if c.redo.IsZero() {
		return nil
	}
	marks := slices.DeleteFunc(slices.Clone(c.marks), func(m position) bool { return !m.Time().Before(c.redo) })
	var base position
	if n := len(marks); n > 0 {
		base = marks[n-1].clone()
	} else {
		fresh, err := population.NewProgress(c.Species, &c.Cohort)
		if err != nil {
			return err
		}
		base = position{Progress: fresh}
	}
	var waiting []roomair.Segment
	for _, id := range c.RoomsSince(base.Time()) {
		err := past(id, base.Time(), func(seg roomair.Segment) {
			c.pieces(id, seg, func(part roomair.Segment) { waiting = append(waiting, part) })
		})
		if err != nil {
			return err
		}
	}
	c.base, c.marks, c.waiting, c.redo = base, marks, waiting, time.Time{}
	return c.goAlongWaiting(tracks, at)
}

// GoLive brings the live progress up to the newest readings.
func (c *Course) GoLive(tracks Tracks) error {
	from := liveSource{base: c.base.Progress, baseAt: c.base.Time(), counted: c.base.counted, waiting: len(c.waiting)}
	for _, p := range c.Cohort.Placements {
		if t := tracks(p.Room); t != nil {
			from.rooms += t.Version()
		}
	}
	if c.live != nil && c.madeOf == from {
		return nil
	}
	live := c.base.clone()
	ahead := slices.Clone(c.waiting)
	for _, id := range c.RoomsSince(live.Time()) {
		if t := tracks(id); t != nil {
			t.Open(func(seg roomair.Segment) {
				c.pieces(id, seg, func(part roomair.Segment) { ahead = append(ahead, part) })
			})
		}
	}
	slices.SortFunc(ahead, byTime)
	for _, seg := range ahead {
		if err := c.goAlong(&live, seg); err != nil {
			return err
		}
	}
	// A count newer than the newest reading is taken at the air's end.
	for ; live.counted < len(c.Counts); live.counted++ {
		if count := c.Counts[live.counted]; !count.Undone {
			if err := live.Count(count); err != nil {
				return err
			}
		}
	}
	c.live, c.liveAir, c.madeOf = live.Progress, live.air, from
	return nil
}
