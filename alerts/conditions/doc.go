// Package conditions says what can go wrong with the air of a room, with a
// sensor, and with rearguard itself. Evaluator, EvaluateCohort and
// EvaluateFacility are pure: what they need to remember is passed in and returned.
//
// Limits come from above, so that the package knows no animals. A room
// without limits is an empty room and has no biological alarms.
package conditions

import (
	"slices"
	"time"

	"rearguard/alerts"
)

// The basic conditions.
const (
	Heat                alerts.Condition = "heat"
	Chill               alerts.Condition = "chill"
	Drying              alerts.Condition = "drying"
	Damp                alerts.Condition = "damp"
	SensorSilent        alerts.Condition = "sensor_silent"
	SensorFault         alerts.Condition = "sensor_fault"
	RoomBlind           alerts.Condition = "room_blind"
	BrokerLost          alerts.Condition = "broker_lost"
	CertificateEnding   alerts.Condition = "certificate_ending"
	StoreFailing        alerts.Condition = "store_failing"
	RecordsDamaged      alerts.Condition = "records_damaged"
	RecordsDoubted      alerts.Condition = "records_doubted"
	NoticeUndeliverable alerts.Condition = "notice_undeliverable"
	DrillLacking        alerts.Condition = "drill_lacking"
	SiteSilent          alerts.Condition = "site_silent"
	ClockWrong          alerts.Condition = "clock_wrong"
	ClockMoved          alerts.Condition = "clock_moved"
)

// The conditions that look at the shape of the air, at dose, and at cohorts.
const (
	HeatApproaching  alerts.Condition = "heat_approaching"
	ChillApproaching alerts.Condition = "chill_approaching"
	HeatInjury       alerts.Condition = "heat_injury"
	DaySwing         alerts.Condition = "day_swing"
	FastChange       alerts.Condition = "fast_change"
	Condensation     alerts.Condition = "condensation"
	MouldRisk        alerts.Condition = "mould_risk"
	CohortOverdue    alerts.Condition = "cohort_overdue"
	CohortStalled    alerts.Condition = "cohort_stalled"
)

// The conditions of cohorts that the configuration has lost.
const (
	CohortUnwatched alerts.Condition = "cohort_unwatched"
	SpeciesLost     alerts.Condition = "species_lost"
)

// The conditions that name a cause.
const (
	HumidifierExhausted alerts.Condition = "humidifier_exhausted"
	HeaterStuckOn       alerts.Condition = "heater_stuck_on"
	HeatingWeak         alerts.Condition = "heating_weak"
	DoorOpen            alerts.Condition = "door_open"
	PowerLost           alerts.Condition = "power_lost"
	// MainsLost is about the facility, told from several rooms at once.
	MainsLost alerts.Condition = "mains_lost"
)

// Definitions returns the definitions of all conditions of the package.
func Definitions() []alerts.Definition {
	defs := slices.Concat(
		airDefinitions(), shapeDefinitions(), wetnessDefinitions(), cohortDefinitions(), lostDefinitions(),
		causeDefinitions(), sensorDefinitions(), facilityDefinitions(), deliveryDefinitions(), siteDefinitions(), clockDefinitions(),
	)
	for i := range defs {
		defs[i].Repeat = alerts.RepeatFor(defs[i].Priority())
	}
	return defs
}

// returnGrace is how long after a limit what led to it stays folded: longer
// than the off-delays of those conditions, so that nobody is told that a room
// is heading for the heat it has just left.
const returnGrace = 20 * time.Minute

// recoveryGrace is how long the consequences of a lost link stay folded after
// it is back, for the sensors to report again.
const recoveryGrace = 10 * time.Minute

// Folding returns the rules by which consequences are folded under their
// root: without a broker every sensor is silent, and in a blind room there is
// nothing more to learn from its silent sensors. Without power a room's plant
// and sensors stop. What heat and cold announce themselves by is over once
// they are there. Causes fold the harm that they explain by being named as its
// root in the observation.
func Folding() []alerts.FoldRule {
	return []alerts.FoldRule{
		{
			Root: MainsLost,
			Folds: []alerts.Condition{
				PowerLost, RoomBlind, SensorSilent, SensorFault, HeatingWeak, HumidifierExhausted, Chill, ChillApproaching, Drying, FastChange,
			},
			Grace: recoveryGrace,
		},
		{
			Root: PowerLost,
			Folds: []alerts.Condition{
				RoomBlind, SensorSilent, SensorFault, HeatingWeak, HumidifierExhausted, Chill, ChillApproaching, Drying, FastChange,
			},
			Grace: recoveryGrace,
		},
		{Root: BrokerLost, Folds: []alerts.Condition{RoomBlind, SensorSilent}, Grace: recoveryGrace},
		{Root: RoomBlind, Folds: []alerts.Condition{SensorSilent, SensorFault}, Grace: recoveryGrace},
		{Root: Heat, Folds: []alerts.Condition{HeatApproaching, FastChange}, Grace: returnGrace},
		{Root: Chill, Folds: []alerts.Condition{ChillApproaching, FastChange}, Grace: returnGrace},
		{Root: MouldRisk, Folds: []alerts.Condition{Damp, Condensation}},
	}
}
