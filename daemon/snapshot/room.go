package snapshot

import (
	"slices"
	"time"

	"rearguard/daemon/development"
	"rearguard/daemon/limits"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/air"
	"rearguard/sensors/desk"
)

// Room is one room as pages and metrics show it.
type Room struct {
	ID   sensors.RoomID
	Name string
	// Blind is set while the room has no usable temperature: the air below
	// is then absent, never old.
	Blind bool
	// Temperature is the median of the room's usable sensors in °C; nil when
	// there is none. Coldest and Warmest are the extremes among them.
	Temperature, Coldest, Warmest *float64
	// Humidity is the median relative humidity in percent, with its extremes.
	Humidity, Driest, Dampest *float64
	// VPDkPa is the vapour pressure deficit; DewPointC the dew point.
	VPDkPa, DewPointC *float64
	// Updated is the event time of the newest usable reading.
	Updated time.Time
	// UsableSensors of TotalSensors fed the air shown.
	UsableSensors, TotalSensors int
	Disagreements               []desk.Disagreement
	Limits                      []limits.View
	// Recent is the temperature and humidity curve of the last day for a
	// small chart, oldest first.
	Recent Recent
	// Expected is what is expected of the air to come; nil before the first
	// reading.
	Expected *ExpectedAir
	// Bending tells, for each stage now in the room, how wrong daily means
	// would be.
	Bending []BendingError
}

// Recent is a curve of the last day, oldest first.
type Recent []RecentPoint

// recentSpan and recentStep make the small chart of a room: a day in steps of
// ten minutes.
const (
	recentSpan = 24 * time.Hour
	recentStep = 10 * time.Minute
)

// Remember adds the present air, which is only asked for where it is new.
func (r *Recent) Remember(now time.Time, air func() roomair.Air) {
	at := now.Truncate(recentStep)
	if n := len(*r); n > 0 && !(*r)[n-1].Time.Before(at) {
		return
	}
	a := air()
	*r = append(*r, RecentPoint{Time: at, Temperature: a.TemperatureC, Humidity: a.HumidityPercent})
	*r = slices.Delete(*r, 0, r.from(now.Add(-recentSpan)))
}

// from is the place of the first point at or after a time.
func (r *Recent) from(at time.Time) int {
	i, _ := slices.BinarySearchFunc(*r, at, func(p RecentPoint, t time.Time) int { return p.Time.Compare(t) })
	return i
}

// Rewind drops what lies ahead of a clock that was set back.
func (r *Recent) Rewind(now time.Time) { *r = (*r)[:r.from(now)] }

// RecentPoint is one point of a room's recent curve.
type RecentPoint struct {
	Time        time.Time
	Temperature *float64
	Humidity    *float64
}

// AirSource is where the expectation of a room's air comes from.
type AirSource string

// The sources of an expectation.
const (
	AirFromSetPoints AirSource = "set points"
	AirFromDays      AirSource = "its own days"
	AirFromNow       AirSource = "the present temperature"
)

// ExpectedAir is what is expected of a room's air from now on.
type ExpectedAir struct {
	From AirSource
	// Days is how many days of the room taught the doubt, 0 where none was
	// known yet.
	Days int
	Air  forecast.Air
	// Doubt is how far the room's day means stray from Air.
	Doubt forecast.AirUncertainty
}

// BendingError is the error that daily means would make in one stage over the
// last days of a room, because rates are no straight lines (Kaufmann effect).
type BendingError struct {
	Species     species.ID
	SpeciesName string
	Stage       species.StageID
	StageName   string
	// Days is how many local days were compared.
	Days int
	// Along is the thermal time along the curve, AtMeans that at daily means,
	// in Unit; Relative is AtMeans/Along - 1.
	Along, AtMeans float64
	Unit           string
	Relative       float64
}

// Breathe puts the present air into the view of a room and works out what
// follows from it.
func (v *Room) Breathe(a roomair.Air) {
	v.Blind, v.Updated, v.UsableSensors = a.TemperatureC == nil, a.Updated, a.Usable
	if v.Blind {
		return
	}
	v.Temperature, v.Humidity = a.TemperatureC, a.HumidityPercent
	if p := a.Coldest; p != nil {
		v.Coldest = &p.Value
	}
	if p := a.Warmest; p != nil {
		v.Warmest = &p.Value
	}
	if p := a.Driest; p != nil {
		v.Driest = &p.Value
	}
	if p := a.Dampest; p != nil {
		v.Dampest = &p.Value
	}
	if v.Humidity == nil {
		return
	}
	rh := min(*v.Humidity, 100)
	if vpd, err := air.VPDkPa(*v.Temperature, rh); err == nil {
		v.VPDkPa = &vpd
	}
	if dew, err := air.DewPointC(*v.Temperature, rh); err == nil {
		v.DewPointC = &dew
	}
}

// Bending is the error in one stage of a species along the curve of a room, and
// false where the curve tells nothing.
func Bending(sp *species.Species, st *species.Stage, points []development.Point, zone *time.Location) (BendingError, bool) {
	k, err := development.KaufmannEffect(st.Rate, points, zone)
	if err != nil || k.Integrated == 0 {
		return BendingError{}, false
	}
	return BendingError{
		Species: sp.ID, SpeciesName: sp.CommonName, Stage: st.ID, StageName: sp.StageName(st.ID),
		Days: k.Days, Along: k.Integrated, AtMeans: k.AtMeans, Unit: st.Rate.Unit(), Relative: k.Relative(),
	}, true
}
