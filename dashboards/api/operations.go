package api

import (
	"net/http"
	"strconv"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
	"rearguard/sensors/unclaimed"
)

// list builds an operation that shows all of a kind.
func list[V, T any](path, id, summary string, of func(*snapshot.Snapshot) []V, convert func(*V) T) operation {
	return get(path, id, summary, []T{}, func(s *snapshot.Snapshot, _ *http.Request) (any, error) { return each(of(s), convert), nil })
}

// one builds an operation that shows what the address names.
func one[ID ~string, V, T any](path, id, summary string, of func(*snapshot.Snapshot, ID) (*V, error), convert func(*V) T) operation {
	var sample T
	return get(path, id, summary, sample, func(s *snapshot.Snapshot, r *http.Request) (any, error) {
		v, err := of(s, ID(r.PathValue("id")))
		if err != nil {
			return nil, err
		}
		return convert(v), nil
	})
}

func get(path, id, summary string, sample any, read func(*snapshot.Snapshot, *http.Request) (any, error)) operation {
	return operation{method: http.MethodGet, path: path, id: id, summary: summary, result: sample, read: read}
}

// reads are the operations that show the state.
func (a *server) reads() []operation {
	return []operation{
		get("/facility", "getFacility", "State of the facility as a whole", State{}, func(s *snapshot.Snapshot, _ *http.Request) (any, error) {
			return facilityOf(s, a.version), nil
		}),
		list("/rooms", "listRooms", "All rooms with their air", func(s *snapshot.Snapshot) []snapshot.Room { return s.Rooms }, roomOf),
		one("/rooms/{id}", "getRoom", "One room", (*snapshot.Snapshot).Room, roomOf),
		list("/sensors", "listSensors", "All sensors", func(s *snapshot.Snapshot) []desk.View { return s.Sensors }, sensorOf),
		one("/sensors/{id}", "getSensor", "One sensor", (*snapshot.Snapshot).Sensor, sensorOf),
		list("/sensors/unclaimed", "listUnclaimed", "Topics seen on the broker that no sensor claims",
			func(s *snapshot.Snapshot) []unclaimed.TopicView { return s.Unclaimed }, unclaimedOf),
		list("/calibrations", "listCalibrations", "All calibrations, newest first",
			func(s *snapshot.Snapshot) []calibration.InForce { return s.Certificates }, calibrationOf),
		list("/cohorts", "listCohorts", "All cohorts being reared", func(s *snapshot.Snapshot) []snapshot.Cohort { return s.Cohorts }, cohortOf),
		one("/cohorts/{id}", "getCohort", "One cohort", (*snapshot.Snapshot).Cohort, cohortOf),
		list("/alarms", "listAlarms", "All alarms that are not in the normal state, most urgent first",
			func(s *snapshot.Snapshot) []snapshot.Alarm { return s.Alarms }, alarmOf),
		list("/incidents", "listIncidents", "Alarms that are of one trouble: what is open, then what ended in the last week",
			func(s *snapshot.Snapshot) []snapshot.Incident { return s.Incidents }, incidentOf),
		list("/species", "listSpecies", "Species that a cohort can be entered for", func(s *snapshot.Snapshot) []snapshot.Species { return s.Species }, speciesOf),
		get("/learning", "listLearning", "What finished cohorts say about this facility's constants", []Fit{}, func(s *snapshot.Snapshot, _ *http.Request) (any, error) {
			return learningOf(s), nil
		}),
		list("/messages/rejected", "listRejectedMessages", "Latest messages that could not be used",
			func(s *snapshot.Snapshot) []desk.Rejected { return s.Rejected }, rejectedOf),
	}
}

func cohortID(r *http.Request) population.CohortID { return population.CohortID(r.PathValue("id")) }

// post builds an operation whose body is a B.
func post[B any](path, id, summary string, take func(s *snapshot.Snapshot, r *http.Request, b *B) (fold.Command, error)) operation {
	var sample B
	return operation{
		method: http.MethodPost, path: path, id: id, summary: summary, body: sample, result: Done{},
		take: func(s *snapshot.Snapshot, r *http.Request, body any) (fold.Command, error) {
			return take(s, r, body.(*B)) //nolint:errcheck // decode made it from the same sample
		},
	}
}

// writes are the operations that give a command.
func writes() []operation {
	return []operation{
		post("/alarms/acknowledge", "acknowledgeAlarm", "Take on an alarm", func(s *snapshot.Snapshot, _ *http.Request, b *AcknowledgeBody) (fold.Command, error) {
			return entry.Order(s, fold.Order{Verb: alerts.Acknowledge, Key: b.Key.alarm(), Who: b.Who})
		}),
		post("/alarms/going", "goToAlarm", "Take on an alarm and be on the way to it", func(s *snapshot.Snapshot, _ *http.Request, b *AcknowledgeBody) (fold.Command, error) {
			return entry.Order(s, fold.Order{Verb: alerts.Going, Key: b.Key.alarm(), Who: b.Who})
		}),
		post("/alarms/shelve", "shelveAlarm", "Silence an alarm for a limited time", func(s *snapshot.Snapshot, _ *http.Request, b *ShelveBody) (fold.Command, error) {
			return entry.Order(s, fold.Order{Verb: alerts.Shelve, Key: b.Key.alarm(), Who: b.Who, For: length(b.For), Reason: b.Reason})
		}),
		post("/alarms/unshelve", "unshelveAlarm", "End a shelving before its time", func(s *snapshot.Snapshot, _ *http.Request, b *AcknowledgeBody) (fold.Command, error) {
			return entry.Order(s, fold.Order{Verb: alerts.Unshelve, Key: b.Key.alarm(), Who: b.Who})
		}),
		post("/cohorts", "addCohort", "Enter a cohort", func(s *snapshot.Snapshot, _ *http.Request, b *CohortBody) (fold.Command, error) {
			return entry.AddCohort(s, entry.NewCohort{
				ID: population.CohortID(b.ID), Species: species.ID(b.Species), Room: sensors.RoomID(b.Room),
				StartStage: species.StageID(b.StartStage), Individuals: b.Individuals, Start: b.Start, Note: b.Note,
			}, b.Who)
		}),
		post("/cohorts/{id}/move", "moveCohort", "Move a cohort to another room", func(s *snapshot.Snapshot, r *http.Request, b *MoveBody) (fold.Command, error) {
			return entry.MoveCohort(s, cohortID(r), sensors.RoomID(b.Room), b.At, b.Who)
		}),
		post("/cohorts/{id}/end", "endCohort", "Close a cohort", func(s *snapshot.Snapshot, r *http.Request, b *EndBody) (fold.Command, error) {
			return entry.EndCohort(s, cohortID(r), b.At, b.Who)
		}),
		post("/cohorts/{id}/counts", "recordCount", "Enter a count", func(s *snapshot.Snapshot, r *http.Request, b *CountBody) (fold.Command, error) {
			return entry.RecordCount(s, population.Count{
				Cohort: cohortID(r), Time: b.Time, Stage: species.StageID(b.Stage), Seen: b.Seen, Of: b.Of,
				Lost: b.Lost, Cause: b.Cause, OrBeyond: b.Beyond, LengthMM: b.Length, By: b.Who, Note: b.Note,
			})
		}),
		post("/cohorts/{id}/counts/{count}/undo", "undoCount", "Take a count back", func(s *snapshot.Snapshot, r *http.Request, b *WhoBody) (fold.Command, error) {
			n, err := strconv.ParseInt(r.PathValue("count"), 10, 64)
			if err != nil {
				return nil, &entry.FieldError{Field: "count", Reason: "the number of the count is a whole number"}
			}
			return entry.UndoCount(s, cohortID(r), population.CountID(n), b.Who)
		}),
		post("/sensors/{id}/reapply", "reapplyCalibration", "Let the newest calibration hold from an earlier time on, and correct what is stored", func(_ *snapshot.Snapshot, r *http.Request, b *ReapplyBody) (fold.Command, error) {
			return entry.Reapply(sensors.SensorID(r.PathValue("id")), b.Quantity, b.From, b.Who)
		}),
		post("/clock/confirm", "confirmClock", "Say that this machine's clock is right, which is doubted", func(s *snapshot.Snapshot, _ *http.Request, b *WhoBody) (fold.Command, error) {
			return entry.ConfirmClock(s, b.Who)
		}),
		post("/records/adopt", "adoptRecords", "Take the records for the right ones as they are, with what cannot be read of them", func(s *snapshot.Snapshot, _ *http.Request, b *WhoBody) (fold.Command, error) {
			return entry.AdoptRecords(s, b.Who)
		}),
	}
}

// length converts seconds; what a duration cannot hold becomes zero, which
// is refused as too short.
func length(seconds float64) time.Duration {
	if !(seconds > 0 && seconds < 1e9) {
		return 0
	}
	return time.Duration(seconds * float64(time.Second))
}
