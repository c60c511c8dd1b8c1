package past

import (
	"context"
	"time"

	"rearguard/daemon/roomair"
	"rearguard/daemon/standing"
	"rearguard/sensors"
)

// Air is the past air of a room.
type Air struct {
	Past Past
	Room sensors.RoomID
	// Sensors are those that the configuration has in the room, Stays tell which
	// stood in it when.
	Sensors []sensors.SensorID
	Stays   standing.Stays
	// Corrected is a stored reading with the corrections now in force.
	Corrected func(sensors.Reading) sensors.Reading
}

// temperatures yields what was measured of the air after from up to to.
func (a *Air) temperatures(ctx context.Context, from, to time.Time, yield func(sensors.Reading)) error {
	return a.Past.Temperatures(ctx, a.Stays.In(a.Room, a.Sensors), from, to, a.Stays.Only(a.Room, yield))
}

// Curve rebuilds the settled segments of the room's track after a time out of
// the records, beginning at the newest mark before it. It also returns the curve
// at their end.
func (a *Air) Curve(ctx context.Context, track *roomair.Track, from time.Time, emit func(roomair.Segment)) (roomair.Curve, error) {
	start, ok := track.MarkBefore(from)
	if !ok {
		var err error
		if start, _, err = a.Past.Mark(ctx, a.Room, from.Add(-time.Millisecond)); err != nil {
			return roomair.Curve{}, err
		}
	}
	curve := *start.Curve.Clone()
	err := a.temperatures(ctx, start.At, track.Settled, func(reading sensors.Reading) {
		if s, ok := roomair.SampleOf(a.Corrected(reading)); ok {
			curve.Add(s, track.Rules, emit)
		}
	})
	if err != nil {
		return roomair.Curve{}, err
	}
	curve.Close(track.Rules, emit)
	return curve, nil
}

// Stored are the readings of the air after from up to to.
func (a *Air) Stored(ctx context.Context, from, to time.Time) (stored []sensors.Reading, err error) {
	err = a.temperatures(ctx, from, to, func(r sensors.Reading) { stored = append(stored, r) })
	return stored, err
}

// Samples are readings as the room's curve takes them.
func (a *Air) Samples(stored []sensors.Reading) []roomair.Sample {
	var samples []roomair.Sample
	for _, reading := range stored {
		if s, ok := roomair.SampleOf(a.Corrected(reading)); ok {
			samples = append(samples, s)
		}
	}
	return samples
}
