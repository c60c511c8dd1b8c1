package past

import (
	"context"
	"time"

	"rearguard/daemon/records"
	"rearguard/sensors"
)

// Overtaken are readings that lie ahead of a clock that was set back: with a
// time after After, and recorded until Until.
type Overtaken struct {
	After time.Time `json:"after"`
	Until time.Time `json:"until"`
}

// FlagAll are the corrections for all of a list, and what is left of it when the
// past cannot be read.
func FlagAll(ctx context.Context, p Past, list []Overtaken) (flags []records.Reflag, left []Overtaken, err error) {
	for i, o := range list {
		more, err := o.Flags(ctx, p)
		if err != nil {
			return flags, list[i:], err
		}
		flags = append(flags, more...)
	}
	return flags, nil, nil
}

// Flags are the corrections that keep them from ever counting, also when their
// time comes.
func (o Overtaken) Flags(ctx context.Context, p Past) ([]records.Reflag, error) {
	var flags []records.Reflag
	err := p.Ahead(ctx, o.After, func(r sensors.Reading) bool {
		if r.Flag < sensors.Fail && !r.Arrival.After(o.Until) {
			flags = append(flags, records.Reflag{Series: r.Series, Time: r.Time, Flag: sensors.Fail})
		}
		return true
	})
	return flags, err
}
