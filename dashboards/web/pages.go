package web

import (
	"net/http"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// overviewAlarms is how many open alarms the overview shows before it points
// to the alarms page; more would push the rooms out of reach on a phone.
const overviewAlarms = 6

// overviewComing is how many events to expect the overview lists, those with
// the most animals today first.
const overviewComing = 20

type overview struct {
	Alarms  alarmLists
	Rooms   []roomModel
	Groups  []cohortGroup
	Sensors []sensorModel
	// Coming are the animals expected to pass an event within a week;
	// MoreComing counts the events left out.
	Coming     []expectedRow
	MoreComing int
}

func overviewPage(v *view, _ *http.Request) (pageSpec, error) {
	o := overview{Alarms: alarmsOf(v, overviewAlarms), Groups: groupsOf(v), Coming: expectedOf(v, v.S.Cohorts)}
	if n := len(o.Coming); n > overviewComing {
		o.Coming, o.MoreComing = o.Coming[:overviewComing], n-overviewComing
	}
	for i := range v.S.Rooms {
		o.Rooms = append(o.Rooms, roomOf(v, &v.S.Rooms[i]))
	}
	for i := range v.S.Sensors {
		o.Sensors = append(o.Sensors, sensorOf(v, &v.S.Sensors[i]))
	}
	return pageSpec{Title: "Overview", Data: o, Sections: []sectionSpec{
		{"alarms", true}, {"rooms", true}, {"coming", true}, {"cohorts", true}, {"sensors", true}, {"system", true},
	}}, nil
}

type alarmsModel struct{ Alarms alarmLists }

func alarmsPage(v *view, _ *http.Request) (pageSpec, error) {
	return pageSpec{Title: "Alarms", Data: alarmsModel{alarmsOf(v, 0)}, Sections: []sectionSpec{{"alarms-all", true}}}, nil
}

type roomModelPage struct {
	Room    roomModel
	Alarms  []alarmModel
	Cohorts []cohortModel
	Sensors []sensorModel
}

func roomPage(v *view, r *http.Request) (pageSpec, error) {
	id := sensors.RoomID(r.PathValue("id"))
	room, err := entry.FindRoom(v.S, id)
	if err != nil {
		return pageSpec{}, err
	}
	m := roomModelPage{Room: roomOf(v, room)}
	for i := range v.S.Alarms {
		if v.S.Alarms[i].Key.Room == id {
			m.Alarms = append(m.Alarms, alarmOf(v, &v.S.Alarms[i]))
		}
	}
	for i := range v.S.Cohorts {
		if v.S.Cohorts[i].Room == id {
			m.Cohorts = append(m.Cohorts, cohortOf(v, &v.S.Cohorts[i]))
		}
	}
	for i := range v.S.Sensors {
		if v.S.Sensors[i].Room == id {
			m.Sensors = append(m.Sensors, sensorOf(v, &v.S.Sensors[i]))
		}
	}
	return pageSpec{Title: m.Room.Title, Data: m, Sections: []sectionSpec{{"room", true}, {"room-trust", true}}}, nil
}

type sensorModelPage struct{ Sensor sensorModel }

func sensorPage(v *view, r *http.Request) (pageSpec, error) {
	s, err := entry.FindSensor(v.S, sensors.SensorID(r.PathValue("id")))
	if err != nil {
		return pageSpec{}, err
	}
	return pageSpec{Title: "Sensor " + string(s.ID), Data: sensorModelPage{sensorOf(v, s)}, Sections: []sectionSpec{{"sensor", true}, {"sensor-quality", true}, {"sensor-forms", false}}}, nil
}

// step is one stage in a cohort's timeline.
type step struct {
	Name    string
	Entered *daemon.StageEntry
	Event   *daemon.ExpectedEvent
	Share   float64
	Present bool
}

type cohortModelPage struct {
	Cohort cohortModel
	Steps  []step
	Stages []daemon.StageName
	// Preselected is the stage the count form starts with.
	Preselected rearing.StageID
	Rooms       []daemon.RoomView
	// Coming are the animals expected to pass each event, day by day; Counts
	// the counts with what was thought of them.
	Coming []expectedRow
	Counts []countModel
	Rate   string
	// Past is set when time is entered by hand, so that its field is open.
	Past bool
}

func cohortPage(v *view, r *http.Request) (pageSpec, error) {
	c, err := entry.FindCohort(v.S, rearing.CohortID(r.PathValue("id")))
	if err != nil {
		return pageSpec{}, err
	}
	m := cohortModelPage{Cohort: cohortOf(v, c), Preselected: c.Stage, Past: v.Form.Get("at") != ""}
	if s := v.Form.Get("stage"); s != "" {
		m.Preselected = rearing.StageID(s)
	}
	if species, err := entry.FindSpecies(v.S, c.Species); err == nil {
		m.Stages = species.Stages
	}
	for _, room := range v.S.Rooms {
		if room.ID != c.Room {
			m.Rooms = append(m.Rooms, room)
		}
	}
	m.Steps = stepsOf(c, m.Stages)
	m.Coming, m.Counts, m.Rate = expectedOf(v, []daemon.CohortView{*c}), countsOf(c), rateText(c)
	return pageSpec{Title: "Cohort " + string(c.ID), Data: m, Sections: []sectionSpec{
		{"cohort", true}, {"cohort-coming", true}, {"count-form", false}, {"counts", true}, {"cohort-forms", false},
	}}, nil
}

// stepsOf joins what has happened and what is expected into one timeline.
func stepsOf(c *daemon.CohortView, stages []daemon.StageName) []step {
	if len(stages) == 0 {
		for _, s := range c.Stages {
			stages = append(stages, daemon.StageName{ID: s.Stage, Name: s.Name})
		}
	}
	steps := make([]step, 0, len(stages))
	for _, st := range stages {
		s := step{Name: st.Name, Present: st.ID == c.Stage}
		for i := range c.Entered {
			if c.Entered[i].Stage == st.ID {
				s.Entered = &c.Entered[i]
			}
		}
		for i := range c.Expected {
			if c.Expected[i].Stage == st.ID {
				s.Event = &c.Expected[i]
			}
		}
		for _, share := range c.Stages {
			if share.Stage == st.ID {
				s.Share = share.Share
			}
		}
		steps = append(steps, s)
	}
	return steps
}

func newCohortPage(_ *view, _ *http.Request) (pageSpec, error) {
	return pageSpec{Title: "New cohort", Sections: []sectionSpec{{"new-cohort", false}}}, nil
}

func messagesPage(_ *view, _ *http.Request) (pageSpec, error) {
	return pageSpec{Title: "Messages", Sections: []sectionSpec{{"messages", true}}}, nil
}

func whoPage(_ *view, _ *http.Request) (pageSpec, error) {
	return pageSpec{Title: "Your name", Sections: []sectionSpec{{"who", false}}}, nil
}
