package fold

import (
	"context"
	"slices"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/course"
	"rearguard/daemon/facility"
	"rearguard/daemon/limits"
	"rearguard/daemon/outlook"
	"rearguard/daemon/past"
	"rearguard/daemon/roomair"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/standing"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// rooms are all rooms, in the order of the configuration.
type rooms struct {
	*ground
	list []*room
	by   map[sensors.RoomID]*room
	// kept are those, and the rooms that the configuration no longer has and in
	// which cohorts being reared once stood. Nobody watches these, and they have
	// no sensors; their air is the cohorts' past.
	kept []*room
	// stays tell which sensor measured which room when.
	stays standing.Stays
	// departures tell when sensors that report on change were gone.
	departures standing.Departures
	// settled is up to where the air of all rooms is folded in.
	settled time.Time
	rules   roomair.Rules
	// redone is the air that was gone through again at this instant.
	redone map[sensors.RoomID]*stretch
}

// stretch is the settled air of a room since a time.
type stretch struct {
	from     time.Time
	segments []roomair.Segment
}

// stretchMost bounds a stretch, about 8 MB.
const stretchMost = 100_000

// room is what the fold knows of one room.
type room struct {
	config  *facility.Room
	sensors *desk.Room
	track   roomair.Track
	limits  limits.Set
	// outlook is what is expected of the air; nil before the first reading.
	outlook *outlook.Outlook
	memory  conditions.RoomMemory
	sign    conditions.RoomSign
	recent  snapshot.Recent
	marks   past.Marks
	// blindSince is when the last usable temperature went stale.
	blindSince time.Time
	// touched is set while readings of this instant are still to be looked at.
	touched bool
}

func newRooms(g *ground) *rooms {
	f, d := g.facility, g.desk
	rs := &rooms{ground: g, by: make(map[sensors.RoomID]*room, len(f.Rooms)), departures: standing.Departures{}}
	fresh := func(id sensors.SensorID) time.Duration {
		if s := d.Sensor(id); s != nil {
			return s.Fresh()
		}
		if known, ok := rs.stays.Fresh(id); ok {
			return known
		}
		return desk.DefaultFresh
	}
	rs.rules = roomair.Rules{Fresh: fresh, StraightUpTo: f.Ingest.GapLimit}
	for i := range f.Rooms {
		r := &room{config: &f.Rooms[i], sensors: d.Room(f.Rooms[i].ID), marks: past.Marks{Room: f.Rooms[i].ID}}
		r.track.Rules = rs.rulesOf(r.config.ID)
		rs.list = append(rs.list, r)
		rs.by[r.config.ID] = r
	}
	rs.kept = slices.Clone(rs.list)
	return rs
}

// rulesOf are the rules by which the curve of a room is drawn.
func (rs *rooms) rulesOf(id sensors.RoomID) roomair.Rules {
	rules := rs.rules
	rules.Left = func(one sensors.SensorID, after, upTo time.Time) bool {
		return rs.stays.Left(one, id, after, upTo) || rs.departures.Left(one, after, upTo)
	}
	return rules
}

// find returns a room, also one that is gone, nil if there never was one.
func (rs *rooms) find(id sensors.RoomID) *room {
	if r := rs.by[id]; r != nil {
		return r
	}
	for _, r := range rs.kept {
		if r.config.ID == id {
			return r
		}
	}
	return nil
}

// measuredBy is the room whose air a sensor measured at a time, nil for none.
func (rs *rooms) measuredBy(s *desk.Sensor, at time.Time) *room {
	if id, known := rs.stays.RoomAt(s.Config().ID, at); known {
		return rs.find(id)
	}
	return rs.by[s.Config().Room]
}

// air is the past air of a room.
func (rs *rooms) air(r *room) *past.Air {
	a := &past.Air{Past: rs.past, Room: r.config.ID, Stays: rs.stays, Corrected: rs.desk.Corrected}
	if r.sensors != nil {
		a.Sensors = r.sensors.SensorIDs()
	}
	return a
}

// track is the curve of a room, nil if there is no such room.
func (rs *rooms) track(id sensors.RoomID) *roomair.Track {
	if r := rs.find(id); r != nil {
		return &r.track
	}
	return nil
}

// settle folds the air of all rooms up to a time and returns the segments that
// became final.
func (rs *rooms) settle(at time.Time) (map[sensors.RoomID][]roomair.Segment, error) {
	settled := make(map[sensors.RoomID][]roomair.Segment)
	for _, r := range rs.kept {
		id := r.config.ID
		r.track.Settle(at, func(s roomair.Segment) { settled[id] = append(settled[id], s) })
		if again := rs.redone[id]; again != nil {
			for _, s := range settled[id] {
				again.take(s)
			}
		}
		if mark, ok := r.track.Mark(); ok {
			if err := r.marks.Keep(mark, rs.out.batch.KeepState); err != nil {
				return nil, err
			}
		}
	}
	rs.settled = at
	return settled, nil
}

// pastOf gives the air of a room's past for cohorts to go along.
func (rs *rooms) pastOf(ctx context.Context) course.Past {
	return func(id sensors.RoomID, from time.Time, emit func(roomair.Segment)) error {
		r := rs.find(id)
		if r == nil {
			return nil
		}
		if known := rs.redone[id]; known != nil && !from.Before(known.from) {
			for _, s := range known.segments {
				if s.To.After(from) {
					emit(s)
				}
			}
			return nil
		}
		_, err := rs.curveFrom(ctx, r, from, emit)
		return err
	}
}

// curveFrom rebuilds the settled segments of a room after a time out of the
// records. It also returns the curve at their end.
func (rs *rooms) curveFrom(ctx context.Context, r *room, from time.Time, emit func(roomair.Segment)) (roomair.Curve, error) {
	curve, err := rs.air(r).Curve(ctx, &r.track, from, emit)
	if err != nil {
		err = past.Unreadable{Err: err}
	}
	return curve, err
}

// redoRoom folds a room's settled air again from the records, from before the
// earliest late reading, and sends the cohorts that breathed it back as well.
func (f *Fold) redoRoom(ctx context.Context, r *room) error {
	from, rewound := r.track.Late.From, r.track.Late.Rewound
	again := &stretch{from: from}
	curve, err := f.rooms.curveFrom(ctx, r, from, again.take)
	if err != nil {
		return err
	}
	var waiting []sensors.Reading
	if rewound {
		if waiting, err = f.rooms.unsettled(ctx, r); err != nil {
			return past.Unreadable{Err: err}
		}
	}
	r.track.Forget(from)
	r.marks.Drop(from, f.clock, f.out.batch.KeepState)
	r.track.Refold(curve)
	if f.rooms.redone == nil {
		f.rooms.redone = map[sensors.RoomID]*stretch{}
	}
	f.rooms.redone[r.config.ID] = again
	if rewound {
		f.rooms.refill(r, waiting, past.FarFuture())
	}
	// The late sample may lie inside a segment that began before it.
	from = from.Add(-f.facility.Ingest.GapLimit)
	for _, c := range f.cohorts.list {
		if slices.Contains(c.RoomsSince(from), r.config.ID) {
			c.RedoFrom(from)
		}
	}
	return nil
}

// take adds a segment; what is too long is not kept.
func (s *stretch) take(one roomair.Segment) {
	if len(s.segments) == stretchMost {
		s.from, s.segments = past.FarFuture(), nil
	}
	if s.from.Before(one.To) {
		s.segments = append(s.segments, one)
	}
}

func (r *room) noteBlind(blind bool, now time.Time) {
	switch {
	case !blind:
		r.blindSince = time.Time{}
	case r.blindSince.IsZero():
		r.blindSince = now
	}
}
