package daemon

import (
	"time"

	"rearguard/alerts"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// Snapshot is the state of the facility after one batch of events. It is
// never changed after it is published, so any number of readers may use it
// without locks.
type Snapshot struct {
	// Time is the engine's clock: the time of the last event handled.
	Time     time.Time
	Facility string
	// Invented is set when the data is a made-up scenario (the demo).
	Invented bool
	// Location is the time zone in which people read times.
	Location *time.Location

	Rooms   []RoomView
	Sensors []SensorView
	// Retired are sensors that are no longer listened to.
	Retired []SensorView
	// Unclaimed are the topics seen on the broker that no sensor claims.
	Unclaimed []UnclaimedView
	// Swaps are pairs of sensors that look exchanged.
	Swaps []quality.Swap
	// Certificates are all calibrations, newest first.
	Certificates []InForce
	Cohorts      []CohortView
	// Species are those a cohort can be entered for, in order of name.
	Species []SpeciesView
	// Catalog are the species in force, Starting those before anything was
	// adopted. Neither is ever changed.
	Catalog, Starting *rearing.Catalog
	// Learning is what finished cohorts taught and what people made of it.
	Learning *Learning
	// Alarms are all alarms that are not in the normal state: those whose
	// condition is true first, and among each the most urgent first.
	Alarms []AlarmView

	Broker   LinkView
	Store    StoreView
	Notices  []NoticeTotal
	Pending  int
	Messages []MessageTotal
	// Annunciations counts alarms that called for attention since the
	// records began, by condition and priority.
	Annunciations []AnnunciationTotal
	// Rejected are the most recent messages that could not be used.
	Rejected []RejectedMessage
	// LimitChanges are the latest changes of configured limits, oldest first.
	LimitChanges []LimitChange
	// AlarmTotals are figures of the alarm system itself.
	AlarmTotals AlarmTotals
}

// RoomView is one room as pages and metrics show it.
type RoomView struct {
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
	Disagreements               []DisagreementView
	Limits                      []LimitView
	// Recent is the temperature and humidity curve of the last day for a
	// small chart, oldest first.
	Recent []RecentPoint
	// Expected is what is expected of the air to come; nil before the first
	// reading.
	Expected *ExpectedAir
	// Bending tells, for each stage now in the room, how wrong daily means
	// would be.
	Bending []BendingError
}

// Where the expectation of a room's air comes from.
const (
	AirFromSetPoints = "set points"
	AirFromDays      = "its own days"
	AirFromNow       = "the present temperature"
)

// ExpectedAir is what is expected of a room's air from now on.
type ExpectedAir struct {
	// From is one of the constants above; Days is how many days of the room
	// taught the doubt, 0 where none was known yet.
	From string
	Days int
	Air  rearing.AirForecast
	// Doubt is how far the room's day means stray from Air.
	Doubt rearing.AirUncertainty
}

// BendingError is the error that daily means would make in one stage over the
// last days of a room, because rates are no straight lines (Kaufmann effect).
type BendingError struct {
	Species     rearing.SpeciesID
	SpeciesName string
	Stage       rearing.StageID
	StageName   string
	// Days is how many local days were compared.
	Days int
	// Along is the thermal time along the curve, AtMeans that at daily means,
	// in Unit; Relative is AtMeans/Along - 1.
	Along, AtMeans float64
	Unit           string
	Relative       float64
}

// RecentPoint is one point of a room's recent curve.
type RecentPoint struct {
	Time        time.Time
	Temperature *float64
	Humidity    *float64
}

// LimitView is one limit in force in a room, and who set it.
type LimitView struct {
	Condition alerts.Condition
	Value     float64
	Unit      string
	// SetBy is the cohort, room override or facility default that gives the
	// strictest value; Assumed is set when it has no published source.
	SetBy   string
	Assumed bool
	// After is how long the air may be beyond Value; 0 is not at all.
	After time.Duration
}

// SpeciesView is one species entry as far as forms need it.
type SpeciesView struct {
	ID   rearing.SpeciesID
	Name string
	// ScientificName is the Latin name, empty if Name is it already.
	ScientificName string
	// Stages are all stages of the species in order of development.
	Stages []StageName
	// Assumed is set when the constants have no published source.
	Assumed bool
	// Origin is "library", "facility" or "library, changed by facility".
	Origin string
}

// StageName is a stage with the name people read.
type StageName struct {
	ID   rearing.StageID
	Name string
}

// SensorView is one sensor as pages and metrics show it.
type SensorView struct {
	ID       sensors.SensorID
	Room     sensors.RoomID
	Position string
	// Topic is the MQTT topic the sensor is configured for, so that a
	// technician can find it on the broker.
	Topic string
	// Values holds the newest reading of each quantity that is still fresh.
	Values []sensors.Reading
	// LastReading is the event time of the newest reading, also once silent.
	LastReading time.Time
	Silent      bool
	// ExpectedInterval is the sensor's reporting habit.
	ExpectedInterval time.Duration
	Flag             sensors.Flag
	// Place is set for a sensor in no room's air.
	Place   sensors.Place
	HeightM *float64
	// Replaces is the retired sensor whose position it took over.
	Replaces sensors.SensorID
	Retired  bool
	// Findings are the complaints about the sensor now.
	Findings []FindingView
	Series   []SeriesView
	Health   SensorHealth
	// Bench is set while it is on the calibration bench.
	Bench *BenchView
}

// CohortView is one cohort as pages and metrics show it.
type CohortView struct {
	ID          rearing.CohortID
	Species     rearing.SpeciesID
	SpeciesName string
	Room        sensors.RoomID
	Stage       rearing.StageID
	StageName   string
	// Individuals is the number alive as far as counts tell.
	Individuals int
	// StageProgress is the share of the present stage passed, 0 to 1.
	StageProgress float64
	// ThermalTime is the degree-days (above each stage's own threshold)
	// gathered since the cohort's start; Estimated is the part of it gathered
	// over bridged gaps in the air.
	ThermalTime, Estimated float64
	// CatchingUp is set while readings that arrived late, or a change of the
	// cohort's past, are still to be taken in.
	CatchingUp bool
	// Assumed is set when the species' constants are assumptions to verify
	// on site and not published values; Source says which.
	Assumed bool
	Source  string
	// Expected are the next events, soonest first.
	Expected []ExpectedEvent
	// Stages is the distribution of the living over stages, in stage order.
	Stages []StageShare
	// Entered are the stages passed so far with the time at which half of
	// the cohort had entered them, oldest first.
	Entered []StageEntry
	// HeatInjury is the share of the lethal heat dose gathered so far, 0 to
	// 1 and above; nil when the species has no thermal-death-time line.
	HeatInjury *float64
	// Outcomes are shares of the animals started with, for example
	// "pupated" or "emerged", each known once counts tell it.
	Outcomes []OutcomeShare
	// Counts are the latest counts, newest first, undone ones included.
	Counts []rearing.Count
	// Verdicts say how each count agreed with what was known before it.
	Verdicts []rearing.Verdict
	// Losses are the animals found dead or missing, by stage and cause.
	Losses []rearing.LossSum
	// Daily are the animals expected to pass each event today (from now on)
	// and on each of the seven days after it.
	Daily []rearing.DayNumbers
	// Week are the animals expected to pass each event within seven days,
	// today included.
	Week []rearing.DayNumbers
	// Rate is how fast the cohort is against its species, 1 being as the
	// constants say, with the standard deviation of what is believed.
	Rate, RateSD float64
	// Progress is the cohort's population as it stands, to plan with. It is
	// shared and must not be changed.
	Progress *rearing.Progress
	Start    time.Time
	Note     string
}

// StageEntry is one stage a cohort has entered.
type StageEntry struct {
	Stage rearing.StageID
	Name  string
	At    time.Time
}

// OutcomeShare is the share (0 to 1) of a cohort's animals with one outcome.
type OutcomeShare struct {
	Outcome string
	Share   float64
}

// StageShare is the share of a cohort's living animals in one stage.
type StageShare struct {
	Stage rearing.StageID
	Name  string
	Share float64
}

// ExpectedEvent is a forecast of one event of a cohort.
type ExpectedEvent struct {
	// Event is "hatching", "moult", "prepupa", "pupation" or "eclosion".
	Event string
	// Stage is the stage the animals enter with the event.
	Stage rearing.StageID
	// Median is when half of the cohort is expected to have passed it; Early
	// and Late bound the central 80 %.
	Early, Median, Late time.Time
}

// AlarmView is one alarm with all that a person needs to act.
type AlarmView struct {
	Key        alerts.Key
	Occurrence int64
	Priority   alerts.Priority
	// State is the ISA-18.2 name of the state in lower case, for example
	// "unacknowledged", "acknowledged", "returned", "shelved".
	State  string
	Active bool
	// Title, Cause, Consequence and FirstAction are sentences for a person.
	Title, Cause, Consequence, FirstAction string
	TimeToRespond                          time.Duration
	Value, Limit                           float64
	Unit                                   string
	Detail                                 string
	RaisedAt, ClearedAt, AcknowledgedAt    time.Time
	AcknowledgedBy                         string
	ShelvedUntil                           time.Time
	ShelvedBy, ShelvedReason               string
	// SuppressedBy names the logic that keeps the alarm quiet by design,
	// OutOfServiceBy the person who took it out of service and why.
	SuppressedBy, OutOfServiceBy, OutOfServiceReason string
	// Cohorts are the cohorts that this alarm puts at risk.
	Cohorts []rearing.CohortID
	Due     time.Time
	// Under is the root alarm this one is a consequence of, nil for a root.
	Under *alerts.Key
}

// LinkView is the state of the broker link.
type LinkView struct {
	Address    string
	Connected  bool
	Subscribed bool
	Since      time.Time
	// Problem says why the link is down and what to do, empty when it is up.
	Problem string
}

// StoreView is the state of the records.
type StoreView struct {
	Path    string
	OK      bool
	Problem string
}

// MessageTotal counts MQTT messages by outcome.
type MessageTotal struct {
	// Outcome is "stored", "duplicate", "retained", "undecodable",
	// "oversize", "unclaimed", "future", "ancient" or "out_of_range".
	Outcome string
	Count   uint64
}

// NoticeTotal counts notices by channel and outcome.
type NoticeTotal struct {
	Channel, Outcome string
	Count            uint64
}

// AnnunciationTotal counts annunciated alarms.
type AnnunciationTotal struct {
	Condition alerts.Condition
	Priority  alerts.Priority
	Count     uint64
}

// RejectedMessage is a message that could not be used, and why.
type RejectedMessage struct {
	Time    time.Time
	Topic   string
	Outcome string
	Reason  string
	// Excerpt is the start of the payload, escaped for display.
	Excerpt string
}
