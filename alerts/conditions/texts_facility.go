package conditions

import (
	"time"

	"rearguard/alerts"
)

// sensorDefinitions are about sensors: nothing is known to be wrong with the
// animals, but nobody would know if it were.
func sensorDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     SensorSilent,
			Title:         "sensor silent",
			Cause:         "Battery empty, sensor out of radio range or unplugged, or its gateway is down.",
			Consequence:   "The room is watched by fewer sensors; a hot or dry corner may go unseen.",
			FirstAction:   "Look at the sensor: power, battery, position. Replace the battery or swap the sensor.",
			TimeToRespond: 8 * time.Hour,
			Severity:      alerts.Minor,
			OnDelay:       15 * time.Minute, OffDelay: 2 * time.Minute,
			Unit: "min",
		},
		{
			Condition:     SensorFault,
			Title:         "sensor not to be believed",
			Cause:         "Wet or dirty element, loose plug, failing sensor, or it was moved to where the air is different.",
			Consequence:   "The room is watched by fewer sensors. The others go on; this one no longer counts for development.",
			FirstAction:   "Look at the sensor and hold a second one beside it. Dry or clean it, or replace it.",
			TimeToRespond: 8 * time.Hour,
			Severity:      alerts.Minor,
			OnDelay:       time.Hour, OffDelay: 2 * time.Hour,
		},
		{
			Condition:     RoomBlind,
			Title:         "room not watched",
			Cause:         "Every sensor of the room is silent or not believable: power, gateway or radio in that room.",
			Consequence:   "Heat, cold or dryness in this room would raise no alarm.",
			FirstAction:   "Go and read a thermometer in the room, then check the power of its sensors and gateway.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       3 * time.Minute, OffDelay: 2 * time.Minute,
			Unit: "min", NoticeUnit: "min",
			ReAlarm: 4 * time.Hour,
		},
	}
}

// facilityDefinitions are about rearguard's own parts, without which nobody
// would know what is wrong.
func facilityDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     BrokerLost,
			Title:         "no sensor messages at all",
			Cause:         "The MQTT broker is down or restarting, or the network between it and this machine is cut.",
			Consequence:   "No room is watched; no alarm about air can be raised.",
			FirstAction:   "Check that the broker machine and the network switch have power. Read the rooms by hand until it is back.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			OnDelay:       2 * time.Minute, OffDelay: time.Minute,
			Unit: "min", NoticeUnit: "min",
			ReAlarm: 4 * time.Hour,
		},
		{
			Condition:     CertificateEnding,
			Title:         "broker certificate about to end",
			Cause:         "The certificate of the MQTT broker, or of the authority that signed it, was issued for a limited time and has not been renewed.",
			Consequence:   "From that day on the broker is not believed: no message arrives and no room is watched.",
			FirstAction:   "Have the broker's certificate renewed, and restart the broker so that it uses the new one.",
			TimeToRespond: 7 * 24 * time.Hour,
			Severity:      alerts.Minor,
			OnDelay:       10 * time.Minute, OffDelay: 2 * time.Minute,
			Unit: "days",
		},
		{
			Condition:     StoreFailing,
			Title:         "records cannot be written",
			Cause:         "The disk is full, read-only or failing, or another program has locked the database file.",
			Consequence:   "Rooms are still watched, from memory, until the broker holds back messages that nobody could acknowledge; then none is. What happened since is lost if rearguard stops.",
			FirstAction:   "Free space on the disk and check that it is writable, then look at the log for the exact error.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			OnDelay:       time.Minute, OffDelay: time.Minute,
			Unit: "min", NoticeUnit: "min",
			ReAlarm: 4 * time.Hour,
		},
		{
			Condition:     RecordsDoubted,
			Title:         "records not those of last time",
			Cause:         "The disk of the records is not mounted, their file was deleted, replaced, damaged or restored from an old backup, or its log was lost.",
			Consequence:   "Cohorts, limits and calibrations that these records do not hold are not watched: no alarm is raised for their sake.",
			FirstAction:   "Stop rearguard, put the right file or the newest backup in place, and start it. If these are the right records, say so with rearguard adopt-records.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			OffDelay:      time.Minute,
			Unit:          "min", NoticeUnit: "min",
			ReAlarm: 4 * time.Hour,
		},
		{
			Condition:     RecordsDamaged,
			Title:         "records cannot all be read",
			Cause:         "The disk has changed what was written, a copy was cut short, or power was lost while the disk did not keep what it had confirmed.",
			Consequence:   "What is named is missing from history, and thermal time over it is estimated. The same disk may damage more.",
			FirstAction:   "Check the disk. Restore the newest backup that holds what is missing, or take note of the loss with rearguard adopt-records.",
			TimeToRespond: 4 * time.Hour,
			Severity:      alerts.Major,
			OffDelay:      time.Minute,
			Unit:          "min", NoticeUnit: "min",
		},
	}
}

// deliveryDefinitions are about whether alarms reach people.
func deliveryDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     NoticeUndeliverable,
			Title:         "notices do not get out",
			Cause:         "A mail or webhook server or an Alertmanager refuses or cannot be reached, a password has changed, or the internet is down.",
			Consequence:   "Alarms do not reach a phone. Somebody must watch the page.",
			FirstAction:   "Check the internet connection, then send a test notice and read the error it shows.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			OffDelay:      time.Minute,
			Unit:          "min",
			ReAlarm:       4 * time.Hour,
		},
		{
			Condition:     DrillLacking,
			Title:         "no proof that notices arrive",
			Cause:         "No drill was made for longer than the configuration says, or somebody did not answer the last one.",
			Consequence:   "A channel may be dead, or a phone silent, and nobody would know before an alarm has to wake somebody.",
			FirstAction:   "Open the page of people. Start a drill, or ask whoever did not answer whether the notice arrived, and send a test.",
			TimeToRespond: 72 * time.Hour,
			Severity:      alerts.Moderate,
			OffDelay:      time.Minute,
		},
	}
}

// clockDefinitions are about the time by which everything goes.
func clockDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     ClockWrong,
			Title:         "clock is wrong",
			Cause:         "The clock of this machine, or of the device that stamps the readings, is off or has jumped; or a board without a clock battery has not reached a time server yet.",
			Consequence:   "Rooms are watched and alarms raised, but readings may be put at the wrong time and forecasts be wrong. Old history is not deleted meanwhile.",
			FirstAction:   "Check time synchronisation on this machine (timedatectl) and on the gateways. Set what is wrong; a clock that is right and not believed, confirm on the page.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Moderate,
			OnDelay:       10 * time.Minute, OffDelay: 10 * time.Minute,
			Deadband: 30, Unit: "s",
		},
		{
			Condition:     ClockMoved,
			Title:         "clock was moved",
			Cause:         "The clock of this machine was wrong and has been put right, by a time server or by somebody, or it has just gone wrong.",
			Consequence:   "What was entered or recorded by the wrong clock may bear wrong times: readings, counts, moves of cohorts.",
			FirstAction:   "Compare the time on the page with a watch, and set this machine's clock if it is wrong. Then look through counts and moves entered while it was.",
			TimeToRespond: 8 * time.Hour,
			Severity:      alerts.Minor,
			Unit:          "min",
		},
	}
}

// siteDefinitions are about other sites that are watched from here.
func siteDefinitions() []alerts.Definition {
	return []alerts.Definition{
		{
			Condition:     SiteSilent,
			Title:         "another site is silent",
			Cause:         "rearguard there has stopped or hangs, its machine or the power is gone, the link between the sites is cut, or nothing is proven to work there.",
			Consequence:   "Nobody may be watching the rooms of the other site, and nobody there is called.",
			FirstAction:   "Call somebody at the other site and have them read the rooms by hand, then look whether its machine and its link have power.",
			TimeToRespond: time.Hour,
			Severity:      alerts.Major,
			Unit:          "min",
			ReAlarm:       4 * time.Hour,
		},
	}
}
