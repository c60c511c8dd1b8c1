package daemon

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/rearing"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// cohortState is what the fold knows of one cohort.
type cohortState struct {
	cohort  rearing.Cohort
	species *rearing.Species
	counts  []rearing.Count

	// base is the progress along the settled air; live, recomputed for every
	// view, goes on to the newest reading.
	base progress
	live *rearing.Progress
	// liveAir is the air that live has gone along.
	liveAir airSum
	// waiting are settled segments that must not be gone along yet, since the
	// air of the room the cohort came from is not known up to its move.
	waiting []roomair.Segment
	// marks are hourly copies of base, to go back to.
	marks []progress
	// redo is the time from which base must be gone through again, zero if
	// it need not.
	redo time.Time

	forecast cohortForecast
	// seen is the state of base and of the rooms' air that live was made from.
	seen liveSource
}

// liveSource tells apart what a live progress is made from.
type liveSource struct {
	base    *rearing.Progress
	baseAt  time.Time
	counted int
	waiting int
	rooms   uint64
}

// progress is a rearing.Progress with the end of the air it has gone along.
type progress struct {
	*rearing.Progress
	endC   float64
	hasAir bool
	// counted is how many of the cohort's counts have been applied.
	counted int
	air     airSum
}

func (p progress) clone() progress {
	p.Progress = p.Progress.Clone()
	p.air.Steps = slices.Clip(p.air.Steps)
	return p
}

// moveGrace is how long a cohort that was moved waits for the last air of the
// room it came from before the gap is bridged.
const moveGrace = time.Hour

// cohortMarksKept bounds the hourly marks of a cohort in memory.
const cohortMarksKept = 24

func newCohortState(cohort rearing.Cohort, species *rearing.Species) (*cohortState, error) {
	s := &cohortState{cohort: cohort, species: species}
	fresh, err := rearing.NewProgress(species, &cohort)
	if err != nil {
		return nil, err
	}
	s.base = progress{Progress: fresh}
	return s, nil
}

// goAlong moves p along a segment of the cohort's own air. Air that is
// missing before it is bridged: by a straight line from where the known air
// ended, or, before the first reading, by the first temperature.
func (s *cohortState) goAlong(p *progress, seg roomair.Segment) error {
	if !seg.To.After(p.Time()) {
		return nil
	}
	if gap := p.Time(); seg.From.After(gap) {
		fromC := seg.FromC
		if p.hasAir {
			fromC = p.endC
		}
		if err := s.advance(p, roomair.Segment{From: gap, To: seg.From, FromC: fromC, ToC: seg.FromC, Estimated: true}); err != nil {
			return err
		}
	}
	return s.advance(p, seg)
}

// advance moves p along seg, stopping at each count on the way to take it
// into account.
func (s *cohortState) advance(p *progress, seg roomair.Segment) error {
	for p.counted < len(s.counts) && !s.counts[p.counted].Time.After(seg.To) {
		count := s.counts[p.counted]
		if part, ok := seg.Clip(seg.From, count.Time); ok {
			if err := p.Advance(rearing.Segment(part)); err != nil {
				return err
			}
		}
		p.counted++
		if !count.Undone {
			if err := p.Count(count); err != nil {
				return fmt.Errorf("count %d of cohort %s: %w", count.ID, s.cohort.ID, err)
			}
		}
	}
	if err := p.Advance(rearing.Segment(seg)); err != nil {
		return fmt.Errorf("cohort %s: %w", s.cohort.ID, err)
	}
	p.air.add(seg)
	p.endC, p.hasAir = seg.ToC, true
	return nil
}

// pieces passes the parts of a room's segment during which the cohort stood
// in the room to emit.
func (s *cohortState) pieces(room sensors.RoomID, seg roomair.Segment, emit func(roomair.Segment)) {
	for i, p := range s.cohort.Placements {
		if p.Room != room {
			continue
		}
		until := seg.To
		if i+1 < len(s.cohort.Placements) && s.cohort.Placements[i+1].From.Before(until) {
			until = s.cohort.Placements[i+1].From
		}
		if end := s.cohort.Ended; !end.IsZero() && end.Before(until) {
			until = end
		}
		if part, ok := seg.Clip(later(p.From, seg.From), until); ok {
			emit(part)
		}
	}
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func byTime(a, b roomair.Segment) int {
	return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To))
}

// roomsSince are the rooms the cohort stood in after a time.
func (s *cohortState) roomsSince(from time.Time) []sensors.RoomID {
	var ids []sensors.RoomID
	for i, p := range s.cohort.Placements {
		over := i+1 < len(s.cohort.Placements) && !s.cohort.Placements[i+1].From.After(from)
		if !over && !slices.Contains(ids, p.Room) {
			ids = append(ids, p.Room)
		}
	}
	return ids
}

// redoFrom asks for base to be gone through again from a time on.
func (s *cohortState) redoFrom(t time.Time) {
	if s.redo.IsZero() || t.Before(s.redo) {
		s.redo = t
	}
}

// settleCohorts goes along the segments that the rooms have settled up to at.
func (c *core) settleCohorts(settled map[sensors.RoomID][]roomair.Segment, at time.Time) error {
	for _, s := range c.cohorts {
		for _, room := range s.roomsSince(s.base.Time()) {
			for _, seg := range settled[room] {
				s.pieces(room, seg, func(part roomair.Segment) {
					if part.From.Before(s.base.Time()) && s.base.hasAir {
						// Its place was bridged already; go back before it.
						s.redoFrom(part.From)
					}
					s.waiting = append(s.waiting, part)
				})
			}
		}
		if !s.redo.IsZero() {
			continue
		}
		if err := c.goAlongWaiting(s, at); err != nil {
			return err
		}
		s.mark(at)
	}
	return nil
}

// goAlongWaiting takes the waiting segments in order, as far as the air is
// known without a hole.
func (c *core) goAlongWaiting(s *cohortState, at time.Time) error {
	slices.SortFunc(s.waiting, byTime)
	until := c.knownUntil(s, at)
	n := 0
	for n < len(s.waiting) && s.waiting[n].From.Before(until) {
		if err := s.goAlong(&s.base, s.waiting[n]); err != nil {
			return err
		}
		n++
	}
	s.waiting = slices.Delete(s.waiting, 0, n)
	return nil
}

// knownUntil is the first move whose air is still outstanding, or at.
func (c *core) knownUntil(s *cohortState, at time.Time) time.Time {
	for i := 1; i < len(s.cohort.Placements); i++ {
		moved := s.cohort.Placements[i].From
		from := c.roomBy[s.cohort.Placements[i-1].Room]
		if from == nil || !moved.Before(at) || at.Sub(moved) > moveGrace {
			continue
		}
		if from.track.curve.Point.Before(moved) {
			return moved
		}
	}
	return at
}

// mark keeps a copy of base once an hour.
func (s *cohortState) mark(at time.Time) {
	if n := len(s.marks); n > 0 && !s.marks[n-1].Time().Before(at.Truncate(time.Hour)) {
		return
	}
	if n := len(s.marks); n > 0 && s.marks[n-1].Time().Equal(s.base.Time()) {
		return
	}
	if len(s.marks) >= cohortMarksKept {
		s.marks = slices.Delete(s.marks, 0, 1)
	}
	s.marks = append(s.marks, s.base.clone())
}

// redoCohorts goes through the cohorts again whose past has changed: from the
// newest mark before the change, along the air in the records.
func (c *core) redoCohorts(at time.Time) error {
	for _, s := range c.cohorts {
		if s.redo.IsZero() {
			continue
		}
		from := s.redo
		s.redo, s.waiting = time.Time{}, nil
		s.marks = slices.DeleteFunc(s.marks, func(m progress) bool { return !m.Time().Before(from) })
		if n := len(s.marks); n > 0 {
			s.base = s.marks[n-1].clone()
		} else {
			fresh, err := rearing.NewProgress(s.species, &s.cohort)
			if err != nil {
				return err
			}
			s.base = progress{Progress: fresh}
		}
		for _, id := range s.roomsSince(s.base.Time()) {
			room := c.roomBy[id]
			if room == nil {
				continue
			}
			_, err := c.curveFrom(room, s.base.Time(), room.track.settled, func(seg roomair.Segment) {
				s.pieces(id, seg, func(part roomair.Segment) { s.waiting = append(s.waiting, part) })
			})
			if err != nil {
				return err
			}
		}
		if err := c.goAlongWaiting(s, at); err != nil {
			return err
		}
	}
	return nil
}

// catchingUp reports whether something is still to be taken into the cohort's
// past.
func (c *core) catchingUp(s *cohortState) bool {
	if !s.redo.IsZero() {
		return true
	}
	for _, p := range s.cohort.Placements {
		if room := c.roomBy[p.Room]; room != nil && !room.track.late.From.IsZero() {
			return true
		}
	}
	return false
}

// source is what the cohort's live progress would be made from now.
func (c *core) source(s *cohortState) liveSource {
	from := liveSource{base: s.base.Progress, baseAt: s.base.Time(), counted: s.base.counted, waiting: len(s.waiting)}
	for _, p := range s.cohort.Placements {
		if room := c.roomBy[p.Room]; room != nil {
			from.rooms += room.track.version
		}
	}
	return from
}

// goLive brings the cohort's live progress up to the newest readings. A live
// progress is never changed once it is made, so snapshots may share it.
func (c *core) goLive(s *cohortState) error {
	from := c.source(s)
	if s.live != nil && s.seen == from {
		return nil
	}
	s.seen = from
	live := s.base.clone()
	ahead := slices.Clone(s.waiting)
	for _, id := range s.roomsSince(live.Time()) {
		if room := c.roomBy[id]; room != nil {
			room.track.open(room.rules, func(seg roomair.Segment) {
				s.pieces(id, seg, func(part roomair.Segment) { ahead = append(ahead, part) })
			})
		}
	}
	slices.SortFunc(ahead, byTime)
	for _, seg := range ahead {
		if err := s.goAlong(&live, seg); err != nil {
			return err
		}
	}
	// A count newer than the newest reading is taken at the air's end.
	for ; live.counted < len(s.counts); live.counted++ {
		if count := s.counts[live.counted]; !count.Undone {
			if err := live.Count(count); err != nil {
				return err
			}
		}
	}
	s.live, s.liveAir = live.Progress, live.air
	return nil
}

// countsShown bounds the counts of a cohort on its page.
const countsShown = 100

// outcomes are the shares of the animals started with that counts have seen
// pupated and emerged, and those booked as lost.
func (s *cohortState) outcomes() []OutcomeShare {
	if s.cohort.Individuals < 1 {
		return nil
	}
	pupa, hasPupa := s.species.StageIndex("pupa")
	adult, hasAdult := s.species.StageIndex("adult")
	pupated, emerged, lost := -1, -1, 0
	for _, count := range s.counts {
		if count.Undone {
			continue
		}
		lost += count.Lost
		stage, _ := s.species.StageIndex(count.Stage)
		if hasPupa && stage >= pupa && (count.Seen > 0 || count.Of > 0) {
			pupated = max(pupated, count.Seen)
		}
		if hasAdult && stage == adult && (count.Seen > 0 || count.Of > 0) {
			emerged = max(emerged, count.Seen)
		}
	}
	var shares []OutcomeShare
	add := func(outcome string, n int) {
		if n >= 0 {
			shares = append(shares, OutcomeShare{Outcome: outcome, Share: min(1, float64(n)/float64(s.cohort.Individuals))})
		}
	}
	add("pupated", pupated)
	add("emerged", emerged)
	if lost > 0 {
		add("lost", lost)
	}
	return shares
}
