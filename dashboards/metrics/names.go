package metrics

import "github.com/prometheus/client_golang/prometheus"

// family is one metric family and the labels its series carry.
type family struct {
	name string
	desc *prometheus.Desc
}

func define(name, help string, labels ...string) family {
	return family{name, prometheus.NewDesc(name, help, labels, nil)}
}

// The families. Names and labels are a contract with dashboards and rules:
// add, never rename.
var (
	buildInfo = define("rearguard_build_info", "Always 1, with the version of rearguard and of Go.", "version", "goversion")

	engineTime   = define("rearguard_engine_event_timestamp_seconds", "The engine's clock: time of the last event it handled.")
	storeOK      = define("rearguard_store_ok", "1 while the records can be written, 0 otherwise.")
	clockDoubted = define("rearguard_clock_doubted", "1 while this machine's clock is not believed, 0 otherwise.")
	clockSteps   = define("rearguard_clock_steps_total", "How often the time was moved, forward or back, since the records began.")
	brokerUp     = define("rearguard_broker_connected", "1 while the link to the MQTT broker is up, 0 otherwise.")
	brokerSubs   = define("rearguard_broker_subscribed", "1 while the broker has accepted every subscription, 0 otherwise.")
	brokerLost   = define("rearguard_broker_sessions_lost_total", "How often the broker had forgotten rearguard's session, and with it the messages that it should have kept.")
	brokerEnds   = define("rearguard_broker_certificate_end_timestamp_seconds", "When the broker's certificate, or one that vouches for it, ends. Absent without TLS and before the first connection.")

	sensorTemperature = define("rearguard_sensor_temperature_celsius", "Newest fresh temperature of the sensor, calibrated. Absent while the sensor is silent or fails its quality checks.", "room", "sensor")
	sensorHumidity    = define("rearguard_sensor_relative_humidity_ratio", "Newest fresh relative humidity of the sensor, calibrated, 0 to 1. Absent while the sensor is silent or fails its quality checks.", "room", "sensor")
	sensorBattery     = define("rearguard_sensor_battery_ratio", "Newest fresh battery charge of the sensor, 0 to 1.", "room", "sensor")
	sensorSignal      = define("rearguard_sensor_signal_strength_dbm", "Newest fresh received radio power of the sensor in dBm.", "room", "sensor")
	sensorLast        = define("rearguard_sensor_last_reading_timestamp_seconds", "Time of the sensor's newest reading, kept while it is silent. Absent if it was never heard.", "room", "sensor")
	sensorInterval    = define("rearguard_sensor_expected_interval_seconds", "The sensor's reporting habit.", "room", "sensor")
	sensorFlag        = define("rearguard_sensor_quality_flag", "QARTOD flag of the sensor: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing; and of our own 5 age unknown.", "room", "sensor")

	roomTemperature = define("rearguard_room_temperature_celsius", "Median temperature of the room's usable sensors. Absent while the room is blind.", "room")
	roomHumidity    = define("rearguard_room_relative_humidity_ratio", "Median relative humidity of the room's usable sensors, 0 to 1. Absent while the room is blind.", "room")
	roomVPD         = define("rearguard_room_vapor_pressure_deficit_pascals", "Vapour pressure deficit of the room's air. Absent while the room is blind.", "room")
	roomDewPoint    = define("rearguard_room_dew_point_celsius", "Dew point of the room's air. Absent while the room is blind.", "room")
	roomBlind       = define("rearguard_room_blind", "1 while the room has no usable temperature, 0 otherwise.", "room")

	cohortThermalTime = define("rearguard_cohort_thermal_time_degree_days", "Thermal time gathered since the cohort's start, above each stage's own threshold.", "room", "cohort", "species")
	cohortProgress    = define("rearguard_cohort_stage_progress_ratio", "Share of the present stage passed, 0 to 1.", "room", "cohort", "species", "stage")
	cohortIndividuals = define("rearguard_cohort_individuals", "Number alive as far as counts tell.", "room", "cohort", "species", "stage")
	cohortExpected    = define("rearguard_cohort_expected_timestamp_seconds", "Forecast time of an event of the cohort; stage is the one entered, bound is early, median or late (the central 80 %).", "room", "cohort", "species", "stage", "event", "bound")
	cohortInjury      = define("rearguard_cohort_heat_injury_ratio", "Share of the lethal heat dose gathered, 0 to 1 and above.", "room", "cohort", "species")
	cohortOutcome     = define("rearguard_cohort_outcome_ratio", "Share of the animals started with that had the outcome, 0 to 1.", "room", "cohort", "species", "outcome")

	alarmActive   = define("rearguard_alarm_active", "Number of alarms of the condition, priority and state in the room whose condition is true now; 0 for one that has returned to normal and waits for acknowledgement.", "room", "condition", "priority", "state")
	annunciations = define("rearguard_alarm_annunciations_total", "Alarms that called for attention since the records began.", "condition", "priority")
	calls         = define("rearguard_alarm_annunciations_recent", "Alarms that called within the window up to now, 10m or 24h; a person can handle one or two in ten minutes.", "window")
	alarmFlood    = define("rearguard_alarm_flood", "1 from more than 10 calls in ten minutes until fewer than 5, 0 otherwise.")
	alarmStale    = define("rearguard_alarms_standing", "Alarms active for more than 24 hours.")
	alarmChatter  = define("rearguard_alarms_chattering", "Alarms that come and go, held active for it.")
	alarmUnacked  = define("rearguard_alarms_unacknowledged", "Alarms that wait for somebody.")
	acked         = define("rearguard_alarm_acknowledgements_total", "Calls acknowledged since the records began.")
	ackSeconds    = define("rearguard_alarm_acknowledgement_seconds_total", "Time from call to acknowledgement, summed over all of them.")
	pending       = define("rearguard_notices_pending", "Notices waiting to be delivered.")
	notices       = define("rearguard_notices_total", "Notices by channel and outcome.", "channel", "outcome")
	channelOpen   = define("rearguard_notice_channel_open", "1 while the channel has failed several times in a row and is tried now and then only, 0 otherwise. Absent for one that was never used.", "channel")
	overdue       = define("rearguard_notices_overdue", "Urgent notices that should have reached somebody by now.")
	proven        = define("rearguard_proof_timestamp_seconds", "When all was last proven to work, from a fresh reading to the records and the notices. Absent until it was.")
	heartbeat     = define("rearguard_heartbeat_timestamp_seconds", "When the watcher outside was last told that all is well. Absent until it was, and without one.")
	messages      = define("rearguard_messages_received_total", "MQTT messages received by outcome.", "outcome")
)
