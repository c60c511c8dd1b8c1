package api

import (
	"net/http"
	"strconv"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// reads are the operations that show the state.
func (a *server) reads() []operation {
	get := func(path, id, summary string, result any, read func(*daemon.Snapshot, *http.Request) (any, error)) operation {
		return operation{method: http.MethodGet, path: path, id: id, summary: summary, result: result, read: read}
	}
	return []operation{
		get("/facility", "getFacility", "State of the facility as a whole", State{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return facilityOf(s, a.version), nil
		}),
		get("/rooms", "listRooms", "All rooms with their air", []Room{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return each(s.Rooms, roomOf), nil
		}),
		get("/rooms/{id}", "getRoom", "One room", Room{}, func(s *daemon.Snapshot, r *http.Request) (any, error) {
			return found(roomOf)(entry.FindRoom(s, sensors.RoomID(r.PathValue("id"))))
		}),
		get("/sensors", "listSensors", "All sensors", []Sensor{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return each(s.Sensors, sensorOf), nil
		}),
		get("/sensors/{id}", "getSensor", "One sensor", Sensor{}, func(s *daemon.Snapshot, r *http.Request) (any, error) {
			return found(sensorOf)(entry.FindSensor(s, sensors.SensorID(r.PathValue("id"))))
		}),
		get("/cohorts", "listCohorts", "All cohorts being reared", []Cohort{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return each(s.Cohorts, cohortOf), nil
		}),
		get("/cohorts/{id}", "getCohort", "One cohort", Cohort{}, func(s *daemon.Snapshot, r *http.Request) (any, error) {
			return found(cohortOf)(entry.FindCohort(s, cohortID(r)))
		}),
		get("/alarms", "listAlarms", "All alarms that are not in the normal state, most urgent first", []Alarm{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return each(s.Alarms, alarmOf), nil
		}),
		get("/species", "listSpecies", "Species that a cohort can be entered for", []Species{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return each(s.Species, speciesOf), nil
		}),
		get("/learning", "listLearning", "What finished cohorts say about this facility's constants", []Fit{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return learningOf(s), nil
		}),
		get("/messages/rejected", "listRejectedMessages", "Latest messages that could not be used", []Rejected{}, func(s *daemon.Snapshot, _ *http.Request) (any, error) {
			return each(s.Rejected, rejectedOf), nil
		}),
	}
}

// found converts what was found, or hands on why not.
func found[V, T any](convert func(*V) T) func(*V, error) (any, error) {
	return func(v *V, err error) (any, error) {
		if err != nil {
			return nil, err
		}
		return convert(v), nil
	}
}

func cohortID(r *http.Request) rearing.CohortID { return rearing.CohortID(r.PathValue("id")) }

// post builds an operation whose body is a B.
func post[B any](path, id, summary string, take func(s *daemon.Snapshot, r *http.Request, b *B) (daemon.Command, error)) operation {
	var sample B
	return operation{
		method: http.MethodPost, path: path, id: id, summary: summary, body: sample, result: Done{},
		take: func(s *daemon.Snapshot, r *http.Request, body any) (daemon.Command, error) {
			return take(s, r, body.(*B)) //nolint:errcheck // decode made it from the same sample
		},
	}
}

// writes are the operations that give a command.
func writes() []operation {
	return []operation{
		post("/alarms/acknowledge", "acknowledgeAlarm", "Take on an alarm", func(s *daemon.Snapshot, _ *http.Request, b *AcknowledgeBody) (daemon.Command, error) {
			return entry.Acknowledge(s, b.Key.alarm(), b.Who)
		}),
		post("/alarms/shelve", "shelveAlarm", "Silence an alarm for a limited time", func(s *daemon.Snapshot, _ *http.Request, b *ShelveBody) (daemon.Command, error) {
			return entry.Shelve(s, b.Key.alarm(), b.Who, length(b.For), b.Reason)
		}),
		post("/alarms/unshelve", "unshelveAlarm", "End a shelving before its time", func(s *daemon.Snapshot, _ *http.Request, b *AcknowledgeBody) (daemon.Command, error) {
			return entry.Unshelve(s, b.Key.alarm(), b.Who)
		}),
		post("/cohorts", "addCohort", "Enter a cohort", func(s *daemon.Snapshot, _ *http.Request, b *CohortBody) (daemon.Command, error) {
			return entry.AddCohort(s, entry.NewCohort{
				ID: rearing.CohortID(b.ID), Species: rearing.SpeciesID(b.Species), Room: sensors.RoomID(b.Room),
				StartStage: rearing.StageID(b.StartStage), Individuals: b.Individuals, Start: b.Start, Note: b.Note,
			}, b.Who)
		}),
		post("/cohorts/{id}/move", "moveCohort", "Move a cohort to another room", func(s *daemon.Snapshot, r *http.Request, b *MoveBody) (daemon.Command, error) {
			return entry.MoveCohort(s, cohortID(r), sensors.RoomID(b.Room), b.At, b.Who)
		}),
		post("/cohorts/{id}/end", "endCohort", "Close a cohort", func(s *daemon.Snapshot, r *http.Request, b *EndBody) (daemon.Command, error) {
			return entry.EndCohort(s, cohortID(r), b.At, b.Who)
		}),
		post("/cohorts/{id}/counts", "recordCount", "Enter a count", func(s *daemon.Snapshot, r *http.Request, b *CountBody) (daemon.Command, error) {
			return entry.RecordCount(s, rearing.Count{
				Cohort: cohortID(r), Time: b.Time, Stage: rearing.StageID(b.Stage), Seen: b.Seen, Of: b.Of,
				Lost: b.Lost, Cause: b.Cause, OrBeyond: b.Beyond, LengthMM: b.Length, By: b.Who, Note: b.Note,
			})
		}),
		post("/cohorts/{id}/counts/{count}/undo", "undoCount", "Take a count back", func(s *daemon.Snapshot, r *http.Request, b *WhoBody) (daemon.Command, error) {
			n, err := strconv.ParseInt(r.PathValue("count"), 10, 64)
			if err != nil {
				return nil, &entry.FieldError{Field: "count", Reason: "the number of the count is a whole number"}
			}
			return entry.UndoCount(s, cohortID(r), rearing.CountID(n), b.Who)
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
