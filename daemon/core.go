package daemon

import (
	"log/slog"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// tickEvery is the grid of event time on which everything that depends on
// time alone is evaluated: delays, silence, dose. Live, demo and replay share
// the grid, so they decide at the same instants.
const tickEvery = 30 * time.Second

// settleLag is how far the settled part of thermal time stays behind the
// clock. Readings that arrive out of order within it cost nothing extra.
const settleLag = 5 * time.Minute

// core is the state of the facility as a fold over events. It belongs to one
// goroutine and never reads a clock.
type core struct {
	facility *facility.Facility
	// starting are the species as the library and the configuration have them;
	// catalog has what people adopted laid over them.
	starting, catalog *rearing.Catalog
	learning          *Learning
	logger            *slog.Logger
	invented          bool
	// forecastEvery is the grid of event time on which cohorts are forecast.
	forecastEvery time.Duration
	speciesViews  []SpeciesView

	// clock is the arrival of the last event handled; nextTick the next
	// instant of the grid.
	clock    time.Time
	nextTick time.Time
	// settledTo is up to where the air of all rooms is folded in; resumed is
	// when the daemon last began to listen.
	settledTo, resumed time.Time

	// topics are the inputs by topic, prefixes those by all but the last level
	// of it; claimed are the topics that sensors are configured with.
	topics, prefixes map[string][]*input
	claimed          map[string]bool
	conversers       []*input
	watchers         map[string][]watcher
	sensors, retired []*sensorState
	// parked are sensors of the configuration that a later event brings in.
	parked  map[sensors.SensorID]*facility.Sensor
	byID    map[sensors.SensorID]*sensorState
	rooms   []*roomState
	roomBy  map[sensors.RoomID]*roomState
	cohorts []*cohortState
	// usedIDs are the names of all cohorts there ever were.
	usedIDs   map[rearing.CohortID]bool
	lastCount rearing.CountID

	machine       *alerts.Machine
	watch         watchState
	roster        []notify.Duty
	link          LinkView
	notified      NoticeState
	outcomes      map[string]uint64
	annunciations map[annunciationKey]uint64
	rejected      []RejectedMessage
	unclaimed     map[string]*unclaimedTopic

	certificates []InForce
	corrections  *calibration.Set
	swaps        []quality.Swap
	// presences wait for the journal, requests for the broker.
	presences []presenceNote
	requests  []payload.Request

	// pending are admitted readings whose instant has not been handled yet;
	// out collects what the next commit stores.
	pending []pendingReading
	order   []*pendingReading
	fates   []fate
	out     *records.Batch
	history history
}

// history is what the fold reads back from the records.
type history interface {
	// Has reports whether a reading is already stored.
	Has(series sensors.Series, at time.Time) (bool, error)
	// Temperatures yields the stored temperature readings of the sensors in
	// order of event time, from from (exclusive) to to (inclusive).
	Temperatures(ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error
	// Mark returns the newest stored curve of a room at or before t.
	Mark(room sensors.RoomID, t time.Time) (curveMark, bool, error)
}

// input is one topic of one sensor.
type input struct {
	sensor   *sensorState
	decoder  payload.Decoder
	presence payload.Presence
}

// quantities bounds arrays indexed by sensors.Quantity.
const quantities = int(sensors.SignalStrength) + 1

// sensorState is what the fold knows of one sensor.
type sensorState struct {
	config   *facility.Sensor
	room     *roomState
	interval time.Duration
	series   [quantities]*seriesState
	// heard is the arrival of the newest message, told the newest event time.
	heard, told time.Time
	// ownTime is set when its messages can carry a time of their own.
	ownTime bool
	health  sensorHealth
	// bench is set while the sensor is on the calibration bench.
	bench *benchState
}

// seriesState is what the fold knows of one series.
type seriesState struct {
	key    sensors.Series
	newest sensors.Reading
	// usable is the newest reading that may feed room air.
	usable sensors.Reading
	// admitted is the newest event time admitted, also while still pending.
	admitted time.Time
	assess   *quality.Assessor
	// neighbours is the comparison of its room, nil for none.
	neighbours *quality.Neighbours
	// findings are the complaints about the newest reading, flagged is since
	// when none was usable, amended the last spike found after the fact.
	findings []quality.Finding
	flagged  time.Time
	amended  *quality.Amendment
}

// roomState is what the fold knows of one room.
type roomState struct {
	config  *facility.Room
	sensors []*sensorState
	// past are retired sensors, whose history is the room's.
	past       []*sensorState
	neighbours [compared]*quality.Neighbours
	rules      roomair.Rules
	track      track
	limits     limitSet
	// outlook is what is expected of the air; nil before the first reading.
	outlook *roomOutlook
	memory  conditions.RoomMemory
	sign    conditions.RoomSign
	recent  []RecentPoint
	// blindSince is when the last usable temperature went stale, markedDay
	// the day whose curve is kept in the records.
	blindSince, markedDay time.Time
	touched               bool
}

// defaultInterval is assumed for a sensor whose reporting interval is neither
// configured nor learned yet.
const defaultInterval = 20 * time.Minute

// freshFactor is how many intervals a reading stands for the air of its place.
const freshFactor = 3

// fresh is how long a reading of s counts.
func (s *sensorState) fresh() time.Duration { return freshFactor * s.interval }

// coreOptions are what a core is built from.
type coreOptions struct {
	facility      *facility.Facility
	catalog       *rearing.Catalog
	logger        *slog.Logger
	invented      bool
	forecastEvery time.Duration
	// claimedLater are sensors of the facility that an event brings in.
	claimedLater map[sensors.SensorID]bool
}

func newCore(o coreOptions) (*core, error) {
	if o.forecastEvery == 0 {
		o.forecastEvery = 10 * time.Minute
	}
	c := &core{
		facility: o.facility, starting: o.catalog, catalog: o.catalog, learning: &Learning{}, logger: o.logger, invented: o.invented, forecastEvery: o.forecastEvery,
		speciesViews:  speciesList(o.catalog),
		roster:        roster(o.facility.Roster),
		topics:        make(map[string][]*input),
		prefixes:      make(map[string][]*input),
		claimed:       make(map[string]bool),
		watchers:      make(map[string][]watcher),
		corrections:   &calibration.Set{},
		byID:          make(map[sensors.SensorID]*sensorState),
		roomBy:        make(map[sensors.RoomID]*roomState),
		usedIDs:       make(map[rearing.CohortID]bool),
		outcomes:      make(map[string]uint64),
		annunciations: make(map[annunciationKey]uint64),
		unclaimed:     make(map[string]*unclaimedTopic),
		out:           &records.Batch{},
	}
	c.facility, c.parked = park(o.facility, o.claimedLater)
	var err error
	definitions := tuned(conditions.Definitions(), o.facility.Alarms)
	if c.machine, err = alerts.NewMachine(definitions, conditions.Folding()...); err != nil {
		return nil, err
	}
	if c.watch, err = newWatchState(definitions, o.facility); err != nil {
		return nil, err
	}
	for i := range o.facility.Rooms {
		r := &roomState{config: &o.facility.Rooms[i], neighbours: newNeighbours()}
		r.rules = roomair.Rules{Fresh: c.freshFor, StraightUpTo: o.facility.Ingest.GapLimit}
		c.rooms = append(c.rooms, r)
		c.roomBy[r.config.ID] = r
	}
	for i := range c.facility.Sensors {
		if err := c.addSensor(&c.facility.Sensors[i]); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// tuned lays the configuration's delays and deadbands over the conditions'
// own.
func tuned(defs []alerts.Definition, tuning map[alerts.Condition]facility.Tuning) []alerts.Definition {
	for i := range defs {
		t, ok := tuning[defs[i].Condition]
		if !ok {
			continue
		}
		if t.OnDelay != nil {
			defs[i].OnDelay = *t.OnDelay
		}
		if t.OffDelay != nil {
			defs[i].OffDelay = *t.OffDelay
		}
		if d := t.Deadband(); d != nil {
			defs[i].Deadband = *d
		}
	}
	return defs
}

func (c *core) freshFor(id sensors.SensorID) time.Duration {
	if s, ok := c.byID[id]; ok {
		return s.fresh()
	}
	return freshFactor * defaultInterval
}
