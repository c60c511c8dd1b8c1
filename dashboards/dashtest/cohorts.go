package dashtest

import (
	"fmt"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

func expected(event species.EventName, stage string, early, median, late time.Duration) snapshot.ExpectedEvent {
	return snapshot.ExpectedEvent{
		Event: event, Stage: species.StageID(stage),
		Early: now.Add(early), Median: now.Add(median), Late: now.Add(late),
	}
}

func sampleCohorts() []snapshot.Cohort {
	const h, d = time.Hour, 24 * time.Hour
	monarch := snapshot.Cohort{
		Identity: snapshot.Identity{
			ID: "dp-0412", Species: "danaus-plexippus", SpeciesName: "Danaus plexippus", Room: "nursery",
			Source: "Zalucki 1982, constant temperatures",
			Start:  now.Add(-11 * d), Note: "from greenhouse host plants"},
		Development: snapshot.Development{
			Stage: "larva-4", StageName: "larva, 4th instar", Individuals: 52, StageProgress: 0.78,
			ThermalTime: 143.2, Estimated: 4.1,
			Stages: []snapshot.StageShare{
				{Stage: "larva-3", Name: "larva, 3rd instar", Share: 0.05}, {Stage: "larva-4", Name: "larva, 4th instar", Share: 0.82},
				{Stage: "larva-5", Name: "larva, 5th instar", Share: 0.13},
			},
			Entered: []snapshot.StageEntry{
				{Stage: "egg", Name: "egg", At: now.Add(-11 * d)}, {Stage: "larva-1", Name: "larva, 1st instar", At: now.Add(-7 * d)},
				{Stage: "larva-2", Name: "larva, 2nd instar", At: now.Add(-5 * d)}, {Stage: "larva-3", Name: "larva, 3rd instar", At: now.Add(-3 * d)},
				{Stage: "larva-4", Name: "larva, 4th instar", At: now.Add(-30 * h)},
			},
			HeatInjury: ptr(0.12)},
		Outlook: snapshot.Outlook{
			Expected: []snapshot.ExpectedEvent{
				expected("moult", "larva-5", 3*h, 7*h, 13*h), expected("prepupa", "prepupa", 2*d, 3*d, 4*d),
				expected("pupation", "pupa", 3*d, 4*d, 5*d), expected("eclosion", "adult", 11*d, 13*d, 15*d),
			}},
		Counted: snapshot.Counted{
			Counts: []population.Count{
				{ID: 7, Cohort: "dp-0412", Time: now.Add(-20 * h), Stage: "larva-4", Seen: 40, Of: 52, By: "Ines"},
				{ID: 5, Cohort: "dp-0412", Time: now.Add(-3 * d), Stage: "larva-3", Seen: 30, Of: 55, Lost: 3, Cause: "stuck skin", By: "Ines", Undone: true},
			}},
	}
	simple := func(id, sp, name, room, stage, stageName string, n int, progress float64, assumed bool, e ...snapshot.ExpectedEvent) snapshot.Cohort {
		return snapshot.Cohort{
			Identity: snapshot.Identity{
				ID: population.CohortID(id), Species: species.ID(sp), SpeciesName: name, Room: sensors.RoomID(room),
				Assumed: assumed, Source: "common practice, no published source", Start: now.Add(-6 * d)},
			Development: snapshot.Development{
				Stage: species.StageID(stage), StageName: stageName, Individuals: n, StageProgress: progress,
				ThermalTime: 61.5,
				Stages:      []snapshot.StageShare{{Stage: species.StageID(stage), Name: stageName, Share: 1}}},
			Outlook: snapshot.Outlook{
				Expected: e},
		}
	}
	blind := simple("hm-31", "heliconius-melpomene", "Heliconius melpomene", "emergence", "pupa", "pupa", 38, 0.95, true,
		expected("eclosion", "adult", -4*h, 2*h, 9*h))
	blind.Estimated = 18.4
	return []snapshot.Cohort{
		monarch, blind,
		simple("mp-07", "morpho-peleides", "Morpho peleides", "glasshouse", "larva-5", "larva, 5th instar", 24, 0.41, true,
			expected("prepupa", "prepupa", 4*d, 6*d, 9*d)),
		simple("mp-08", "morpho-peleides", "Morpho peleides", "nursery", "egg", "egg", 120, 0.9, true,
			expected("hatching", "larva-1", 5*h, 11*h, 20*h)),
		simple("pb-201", "aglais-io", "Peacock butterfly", "pupae", "pupa", "pupa", 85, 0.2, false,
			expected("eclosion", "adult", 7*d, 9*d, 11*d)),
		simple("pb-190", "pieris-brassicae", "Pieris brassicae", "pupae", "adult", "adult", 12, 1, false),
	}
}

// sampleIncidents are those of the alarms that are on: the heat in the nursery,
// and the blind room with its silent sensor.
func sampleIncidents(list []snapshot.Alarm) []snapshot.Incident {
	theme := map[alerts.Condition]string{"heat": "air", "room_blind": "sensors", "sensor_silent": "sensors"}
	var out []snapshot.Incident
	for k := range list {
		a := &list[k]
		if theme[a.Key.Condition] == "" {
			continue
		}
		m := incidents.Member{Key: a.Key, Occurrence: a.Occurrence, Priority: a.Priority, RaisedAt: a.RaisedAt, Under: a.Under != nil}
		if a.Unit != "" {
			m.Peak = incidents.Peak{At: a.RaisedAt, Value: a.Value, Limit: a.Limit, Unit: a.Unit}
		}
		if n := len(out); n > 0 && out[n-1].Room == a.Key.Room {
			out[n-1].Members, out[n-1].Titles = append(out[n-1].Members, m), append(out[n-1].Titles, a.Title)
			continue
		}
		out = append(out, snapshot.Incident{
			Incident: incidents.Incident{
				Number: a.Occurrence, Room: a.Key.Room, Theme: theme[a.Key.Condition], BeganAt: a.RaisedAt,
				Members: []incidents.Member{m}, Calls: 1, Told: []alerts.Priority{a.Priority}, TakenBy: a.AcknowledgedBy, TakenAt: a.AcknowledgedAt,
			},
			Title: a.Title, Advice: a.Advice, Steps: []string{a.FirstAction}, Titles: []string{a.Title},
		})
	}
	return out
}

func sampleAlarms() []snapshot.Alarm {
	return []snapshot.Alarm{
		{
			Key: alerts.Key{Condition: "heat", Room: "nursery"}, Occurrence: 41, Priority: alerts.Critical, State: alerts.Unacknowledged, Active: true,
			Title: "Nursery is too hot", Advice: alerts.Advice{
				Cause: "The heater may be stuck on.", Consequence: "Larvae are injured within the hour and die soon after.",
				FirstAction: "Switch the heater off at its socket and open the vent.", TimeToRespond: 40 * time.Minute},
			Value: 34.2, Limit: 32, Unit: "°C", Detail: "shelf 2 (nursery-north)", RaisedAt: now.Add(-9 * time.Minute),
			Due: now.Add(31 * time.Minute), Cohorts: []population.CohortID{"dp-0412", "mp-08"},
		},
		{
			Key: alerts.Key{Condition: "room_blind", Room: "emergence"}, Occurrence: 39, Priority: alerts.High, State: alerts.Acknowledged, Active: true,
			Title: "Emergence room cannot be watched", Advice: alerts.Advice{
				Cause: "Both sensors are silent.", Consequence: "Heat or drying would go unseen.",
				FirstAction: "Read the wall thermometer and check the sensors' power.", TimeToRespond: 2 * time.Hour},
			RaisedAt: now.Add(-45 * time.Minute), Handling: snapshot.Handling{
				AcknowledgedAt: now.Add(-30 * time.Minute), AcknowledgedBy: "Ines"},
			Cohorts: []population.CohortID{"hm-31"},
		},
		{
			Key: alerts.Key{Condition: "sensor_silent", Room: "emergence", Subject: "emergence-door"}, Occurrence: 38, Priority: alerts.Medium,
			State: alerts.Unacknowledged, Active: true, Title: "Sensor emergence-door is silent", Advice: alerts.Advice{
				Cause:       "Flat battery or lost radio link.",
				Consequence: "The room depends on what is left.", FirstAction: "Change the battery.", TimeToRespond: 8 * time.Hour},
			RaisedAt: now.Add(-45 * time.Minute), Under: &alerts.Key{Condition: "room_blind", Room: "emergence"},
		},
		{
			Key: alerts.Key{Condition: "drying", Room: "nursery"}, Occurrence: 36, Priority: alerts.Medium, State: alerts.Returned,
			Title: "Nursery air was drying eggs", Advice: alerts.Advice{
				FirstAction:   "Look at the eggs.",
				TimeToRespond: 3 * time.Hour}, Value: 1.1, Limit: 1.4, Unit: "kPa",
			RaisedAt: now.Add(-5 * time.Hour), ClearedAt: now.Add(-3 * time.Hour),
		},
		{
			Key: alerts.Key{Condition: "damp", Room: "pupae"}, Occurrence: 30, Priority: alerts.Low, State: alerts.Shelved, Active: true,
			Title: "Pupae cabinet is damp", Advice: alerts.Advice{
				FirstAction:   "Open the door a finger wide.",
				TimeToRespond: 12 * time.Hour}, Value: 81, Limit: 80, Unit: "%",
			RaisedAt: now.Add(-30 * time.Hour),
			Handling: snapshot.Handling{
				ShelvedUntil: now.Add(3 * time.Hour), ShelvedBy: "Tomas", ShelvedReason: "drying out the substrate today"},
		},
	}
}

// Empty returns a facility in which nothing is set up yet.
func Empty() *snapshot.Snapshot {
	return &snapshot.Snapshot{Time: now, Site: snapshot.Site{
		Location: time.UTC}}
}

// Ugly returns a facility with hostile and extreme content: markup in names,
// very long words, thirty alarms, duplicates, a broken link and store.
func Ugly() *snapshot.Snapshot {
	s := Sample()
	s.Invented = false
	s.Facility = `<script>alert("f")</script> & Söhne`
	long := strings.Repeat("W", 40)
	s.Rooms[0].Name = `<img src=x onerror=alert(1)>`
	s.Rooms[1].Name = long
	s.Rooms[1].ID = sensors.RoomID(strings.Repeat("w", 40))
	s.Rooms[3].Recent = nil
	s.Cohorts[0].Note = `"><script>alert('note')</script>`
	s.Cohorts[2].SpeciesName = long
	s.Cohorts[2].Room = s.Rooms[1].ID
	s.Cohorts[3].ID = population.CohortID(strings.Repeat("c", 40))
	s.Sensors[0].Position = `shelf <b>2</b> "north"`
	s.Sensors[3].ID = sensors.SensorID(strings.Repeat("s", 40))
	s.Sensors[3].Room = s.Rooms[1].ID
	s.Rejected = append(s.Rejected, desk.Rejected{
		Time: now, Topic: strings.Repeat("a/", 60) + `<script>`, Outcome: "undecodable", Reason: `unexpected "<"`, Excerpt: `<script>\x00` + strings.Repeat("0", 200),
	})
	for i := range 30 {
		s.Alarms = append(s.Alarms, snapshot.Alarm{
			Key:        alerts.Key{Condition: "sensor_silent", Room: "nursery", Subject: fmt.Sprintf("probe-%02d", i)},
			Occurrence: int64(100 + i), Priority: alerts.Medium, State: alerts.Unacknowledged, Active: true,
			Title: fmt.Sprintf("Sensor probe-%02d with a long name in %s is silent", i, long), Advice: alerts.Advice{
				FirstAction:   "Change the battery.",
				TimeToRespond: 8 * time.Hour}, RaisedAt: now.Add(-time.Duration(i) * time.Minute),
		})
	}
	s.Broker.Connected, s.Broker.Subscribed = false, false
	s.Broker.Problem = "connection refused: start the broker or correct broker.address in facility.yaml"
	s.Store.OK = false
	s.Store.Problem = "database disk image is read-only: make the folder writable and restart"
	return s
}
