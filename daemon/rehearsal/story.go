package rehearsal

import (
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// Scenario is a day that the demo can play.
type Scenario struct {
	// Name is what the command line calls it, Tell what it shows.
	Name, Tell string
	// Hour is the hour of the day at which it begins.
	Hour int
	// Turns are what happens, in order of time.
	Turns []Turn
	// Rounds are what the keeper counts, Answers how the lead answers calls.
	Rounds  []Round
	Answers []Answer
}

// winterDay is the day of the year whose weather the scenarios have, whatever
// the day they are played on: what is to be told by its shape is told best, and
// is worst, when it is cold outside.
const winterDay = 35

// House is the invented facility some time before the scenario begins, at rest.
func (s *Scenario) House(begin time.Time, before time.Duration, seed uint64) *House {
	h := NewHouse(begin.Add(-before), seed)
	h.climate.ShiftDays = winterDay - begin.YearDay()
	return h
}

// Scenarios are those that can be played, the usual one first.
func Scenarios() []Scenario {
	return []Scenario{
		{
			Name: "day", Tell: "a humidifier that runs dry, a heater that sticks on, a sensor that dies", Hour: 6,
			Turns: Story(answered), Rounds: Rounds(), Answers: Answers(),
		},
		{
			Name: "storm", Tell: "a door left open, the mains lost at night", Hour: 18,
			Turns: Storm(), Answers: StormAnswers(),
		},
	}
}

// Turn is one turn of the story: what happens to the rooms, and what a person
// watching is told.
type Turn struct {
	// At is the time since the story began.
	At   time.Duration
	Tell string
	do   func(*House)
}

func quiet(*House) {}

func inRoom(id sensors.RoomID, change func(*Room)) func(*House) {
	return func(h *House) { change(h.rooms[id]) }
}

func everywhere(change func(*Room)) func(*House) {
	return func(h *House) {
		for _, r := range h.rooms {
			change(r)
		}
	}
}

// Pace is when people put right what goes wrong on the invented day, since it
// began.
type Pace struct {
	// Fill is when the humidifier is filled, Isolate when the heater is switched
	// off and the door opened, Repair when it is repaired and the door closed,
	// Battery when the sensor gets a new one.
	Fill, Isolate, Repair, Battery time.Duration
}

// answered is the pace of people who answer when they are called.
var answered = Pace{Fill: 150 * time.Minute, Isolate: 4 * time.Hour, Repair: 4*time.Hour + 20*time.Minute, Battery: 24 * time.Hour}

// Story is what goes wrong, and is put right, on the invented day.
func Story(people Pace) []Turn {
	return []Turn{
		{0, "Morning round at an invented facility. Everything is well.", quiet},
		{1 * time.Hour, "Larva hall: the humidifier has run dry. Nobody has noticed yet.",
			inRoom("larva-hall", func(r *Room) { r.TankG = 0; r.Faults |= HumidifierDead })},
		{3 * time.Hour, "Pupa room: the heater's contactor has welded shut. It heats without end.",
			inRoom("pupa-room", func(r *Room) { r.Faults |= HeaterStuckOn | VentStuckShut })},
		{people.Fill, "Larva hall: somebody fills the humidifier.",
			inRoom("larva-hall", func(r *Room) { r.TankG = r.Design.TankG; r.Faults &^= HumidifierDead })},
		{people.Isolate, "Pupa room: the heater is switched off at its isolator and the door opened.",
			inRoom("pupa-room", func(r *Room) { r.Faults = DoorOpen | HeaterDead })},
		{people.Repair, "Pupa room: heater repaired, door closed.",
			inRoom("pupa-room", func(r *Room) { r.Faults = 0 })},
		{9 * time.Hour, "Emergence room: the battery of the sensor in cage 3 dies.",
			func(h *House) { h.probe("emergence-cage").dead = true }},
		{people.Battery, "Emergence room: the battery is replaced.",
			func(h *House) { h.probe("emergence-cage").dead = false }},
	}
}

// Storm is what goes wrong, and is put right, in the invented night.
func Storm() []Turn {
	return []Turn{
		{0, "Evening at an invented facility; a storm is on its way. Everything is well.", quiet},
		{1 * time.Hour, "Nursery: the last to leave has not shut the door behind him.",
			inRoom("nursery", func(r *Room) { r.Faults |= DoorOpen })},
		{105 * time.Minute, "Nursery: the door is shut.",
			inRoom("nursery", func(r *Room) { r.Faults &^= DoorOpen })},
		{8 * time.Hour, "The storm takes the power of the whole house. Sensors and their gateway have batteries.",
			everywhere(func(r *Room) { r.Faults |= PowerLost })},
		{10 * time.Hour, "The main breaker is put back: there is power again.",
			everywhere(func(r *Room) { r.Faults &^= PowerLost })},
	}
}

// Answer is somebody going to what is wrong in a room.
type Answer struct {
	// After is how long after what is wrong there began to call it comes; a room is
	// empty for what is about the whole facility.
	After time.Duration
	Room  sensors.RoomID
	Who   string
	Tell  string
}

// Due says by which alarm the answer takes an incident on, and whether its time
// has come: nobody has it yet, and it has called for long enough.
func (a Answer) Due(s *snapshot.Snapshot, now time.Time) (alerts.Key, bool) {
	for k := range s.Incidents {
		if i := &s.Incidents[k]; i.Room == a.Room {
			if key, waits := Waiting(s, i, a.After, now); waits {
				return key, true
			}
		}
	}
	return alerts.Key{}, false
}

// Waiting says whether an incident has called for some time and nobody has it,
// and by which of its alarms it can be taken on.
func Waiting(s *snapshot.Snapshot, i *snapshot.Incident, after time.Duration, now time.Time) (alerts.Key, bool) {
	if !i.EndedAt.IsZero() || len(i.Told) == 0 || i.TakenBy != "" || now.Before(i.BeganAt.Add(after)) {
		return alerts.Key{}, false
	}
	for k := range s.Alarms {
		a := &s.Alarms[k]
		waits := a.State == alerts.Unacknowledged || a.State == alerts.Returned
		if waits && slices.ContainsFunc(i.Members, func(m incidents.Member) bool { return m.Key == a.Key && m.Occurrence == a.Occurrence }) {
			return a.Key, true
		}
	}
	return alerts.Key{}, false
}

// lead is who is called first, second who is called when nobody answers.
const (
	lead   = "Ines (invented)"
	second = "Mara (invented)"
)

// Answers are those of the invented day. Where the first does not hear the call,
// the next is called.
func Answers() []Answer {
	return []Answer{
		{12 * time.Minute, "larva-hall", lead, "I go and fill the humidifier on my round."},
		{14 * time.Minute, "pupa-room", second, "Ines does not answer. I go and look at the heater."},
	}
}

// StormAnswers are those of the invented night.
func StormAnswers() []Answer {
	return []Answer{
		{9 * time.Minute, "nursery", lead, "I go back and shut it."},
		{8 * time.Minute, "", lead, "I am up, and on my way to the main breaker."},
	}
}
