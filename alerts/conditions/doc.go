// Package conditions says what can go wrong with the air of a room, with a
// sensor, and with rearguard itself. Evaluate and EvaluateFacility are pure:
// what they need to remember is passed in and returned.
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
	RoomBlind           alerts.Condition = "room_blind"
	BrokerLost          alerts.Condition = "broker_lost"
	StoreFailing        alerts.Condition = "store_failing"
	NoticeUndeliverable alerts.Condition = "notice_undeliverable"
	ClockWrong          alerts.Condition = "clock_wrong"
)

// Definitions returns the definitions of all conditions of the package.
func Definitions() []alerts.Definition {
	return slices.Concat(airDefinitions(), houseDefinitions())
}

// recoveryGrace is how long the consequences of a lost link stay folded after
// it is back, for the sensors to report again.
const recoveryGrace = 10 * time.Minute

// Folding returns the rules by which consequences are folded under their
// root: without a broker every sensor is silent, and in a blind room there is
// nothing more to learn from its silent sensors.
func Folding() []alerts.FoldRule {
	return []alerts.FoldRule{
		{Root: BrokerLost, Folds: []alerts.Condition{RoomBlind, SensorSilent}, Grace: recoveryGrace},
		{Root: RoomBlind, Folds: []alerts.Condition{SensorSilent}, Grace: recoveryGrace},
	}
}
