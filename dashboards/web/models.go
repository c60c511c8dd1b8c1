package web

import (
	"sort"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// alarmModel is an alarm with the names and times a card shows.
type alarmModel struct {
	*daemon.AlarmView
	RoomName string
	// Open is set while the alarm waits for somebody.
	Open    bool
	Shelved bool
	// Silenced is set when a person or the design keeps the alarm quiet.
	Silenced bool
	// For is how long it has been; Left the time until it is due, negative
	// when overdue.
	For, Left time.Duration
	// Under are the alarms that follow from this one.
	Consequences []alarmModel
	// Page is set on the alarms page, where everything is shown in full.
	Full bool
	V    *view
}

// HasValue reports whether a value against a limit says anything.
func (a alarmModel) HasValue() bool { return a.Unit != "" }

// Heading is the title with the room and the sensor or cohort it is about,
// unless the title names them already.
func (a alarmModel) Heading() string {
	where := a.RoomName
	if a.Key.Subject != "" {
		where = strings.TrimPrefix(where+", "+a.Key.Subject, ", ")
	}
	if where == "" || strings.Contains(a.Title, a.RoomName) && a.RoomName != "" || strings.Contains(a.Title, a.Key.Subject) && a.Key.Subject != "" {
		return capital(a.Title)
	}
	return capital(where + ": " + a.Title)
}

// Shape names the priority's symbol.
func (a alarmModel) Shape() string { return "shape-" + a.Priority.String() }

type alarmLists struct {
	Open, Rest, Silenced []alarmModel
	// More counts the alarms that the overview leaves to the alarms page.
	More int
	// Urgent counts alarms nobody has taken on, Total all that are not
	// folded away.
	Urgent, Total int
	Announce      string
}

// alarmsOf sorts the alarms into those that wait for somebody, those taken on
// or back to normal, and those shelved; consequences go under their root.
func alarmsOf(v *view, limit int) alarmLists {
	present := map[alerts.Key]bool{}
	for _, a := range v.S.Alarms {
		present[a.Key] = true
	}
	under := map[alerts.Key][]alarmModel{}
	var roots []alarmModel
	for i := range v.S.Alarms {
		a := alarmOf(v, &v.S.Alarms[i])
		a.Full = limit == 0
		if a.AlarmView.Under != nil && present[*a.AlarmView.Under] && *a.AlarmView.Under != a.Key {
			under[*a.AlarmView.Under] = append(under[*a.AlarmView.Under], a)
			continue
		}
		roots = append(roots, a)
	}
	var lists alarmLists
	var words []string
	for _, a := range roots {
		a.Consequences = under[a.Key]
		lists.Total++
		switch {
		case a.Silenced:
			lists.Silenced = append(lists.Silenced, a)
		case a.Open:
			lists.Urgent++
			words = append(words, a.Heading())
			if limit > 0 && len(lists.Open) >= limit {
				lists.More++
				continue
			}
			lists.Open = append(lists.Open, a)
		default:
			lists.Rest = append(lists.Rest, a)
		}
	}
	if len(words) > 3 {
		words = append(words[:3], "and more")
	}
	lists.Announce = strings.Join(words, "; ")
	return lists
}

func alarmOf(v *view, a *daemon.AlarmView) alarmModel {
	m := alarmModel{AlarmView: a, RoomName: v.roomName(a.Key.Room), V: v}
	switch a.State {
	case alerts.Unacknowledged.String(), alerts.Returned.String(), alerts.LatchedUnacknowledged.String():
		m.Open = true
	case alerts.Shelved.String():
		m.Shelved, m.Silenced = true, true
	case alerts.Suppressed.String(), alerts.OutOfService.String():
		m.Silenced = true
	}
	if !a.RaisedAt.IsZero() {
		m.For = v.S.Time.Sub(a.RaisedAt)
	}
	if !a.Due.IsZero() {
		m.Left = a.Due.Sub(v.S.Time)
	}
	return m
}

func (v *view) roomName(id sensors.RoomID) string {
	for i := range v.S.Rooms {
		if v.S.Rooms[i].ID == id {
			return roomTitle(&v.S.Rooms[i])
		}
	}
	return string(id)
}

func roomTitle(r *daemon.RoomView) string {
	if r.Name != "" {
		return r.Name
	}
	return string(r.ID)
}

// roomModel is a room with its curves.
type roomModel struct {
	*daemon.RoomView
	Title string
	// OneSensor is set when nothing could contradict the room's sensor.
	OneSensor             bool
	TemperatureC, HumidRH chart
	Alarms                int
	Cohorts               int
	V                     *view
}

func roomOf(v *view, r *daemon.RoomView) roomModel {
	m := roomModel{RoomView: r, Title: roomTitle(r), OneSensor: r.TotalSensors == 1, V: v}
	var temperature, humidity []band
	for _, l := range r.Limits {
		// Limits of swing, rate and risk share units with the air and are no
		// level in a chart of it.
		switch l.Condition {
		case conditions.Heat:
			temperature = append(temperature, band{l.Value, true})
		case conditions.Chill:
			temperature = append(temperature, band{l.Value, false})
		case conditions.Damp:
			humidity = append(humidity, band{l.Value, true})
		}
	}
	m.TemperatureC = draw(r.Recent, temperatureOf, "Temperature", "°C", 4, temperature, v.S.Time, v.Loc)
	m.HumidRH = draw(r.Recent, humidityOf, "Relative humidity", "%", 20, humidity, v.S.Time, v.Loc)
	for _, a := range v.S.Alarms {
		if a.Key.Room == r.ID && a.Active && !alarmOf(v, &a).Silenced {
			m.Alarms++
		}
	}
	for _, c := range v.S.Cohorts {
		if c.Room == r.ID {
			m.Cohorts++
		}
	}
	return m
}

// cohortModel is a cohort with what comes next.
type cohortModel struct {
	*daemon.CohortView
	RoomName string
	Next     *daemon.ExpectedEvent
	// Latin is the scientific name where SpeciesName is a common one.
	Latin string
	// NextName is the stage the animals enter next.
	NextName string
	// EstimatedShare is the part of the thermal time gathered over gaps.
	EstimatedShare float64
	// Conflict is set when the newest count does not fit what was known.
	Conflict bool
	V        *view
}

func cohortOf(v *view, c *daemon.CohortView) cohortModel {
	m := cohortModel{CohortView: c, RoomName: v.roomName(c.Room), V: v}
	for _, s := range v.S.Species {
		if s.ID == c.Species && s.ScientificName != c.SpeciesName {
			m.Latin = s.ScientificName
		}
	}
	if len(c.Expected) > 0 {
		m.Next = &c.Expected[0]
		m.NextName = v.stageName(c.Species, m.Next.Stage)
	}
	if n := len(c.Verdicts); n > 0 {
		m.Conflict = c.Verdicts[n-1].Conflict
	}
	if c.ThermalTime > 0 {
		m.EstimatedShare = c.Estimated / c.ThermalTime
	}
	return m
}

func (v *view) stageName(species rearing.SpeciesID, stage rearing.StageID) string {
	for _, s := range v.S.Species {
		if s.ID != species {
			continue
		}
		for _, st := range s.Stages {
			if st.ID == stage {
				return st.Name
			}
		}
	}
	return string(stage)
}

// cohortGroup is the cohorts whose next event falls into one span of days.
type cohortGroup struct {
	Name    string
	Cohorts []cohortModel
}

// groupsOf orders cohorts by their next event: what a keeper has to do today
// comes first. An event whose interval has begun counts as today's.
func groupsOf(v *view) []cohortGroup {
	groups := []cohortGroup{{Name: "Today"}, {Name: "Within seven days"}, {Name: "Later"}, {Name: "Nothing expected"}}
	today := dayNumber(v.S.Time.In(v.Loc))
	for i := range v.S.Cohorts {
		c := cohortOf(v, &v.S.Cohorts[i])
		g := 3
		if c.Next != nil {
			switch days := dayNumber(c.Next.Median.In(v.Loc)) - today; {
			case days <= 0 || !c.Next.Early.IsZero() && dayNumber(c.Next.Early.In(v.Loc)) <= today:
				g = 0
			case days <= 7:
				g = 1
			default:
				g = 2
			}
		}
		groups[g].Cohorts = append(groups[g].Cohorts, c)
	}
	out := groups[:0]
	for _, g := range groups {
		if len(g.Cohorts) == 0 {
			continue
		}
		sort.SliceStable(g.Cohorts, func(i, j int) bool {
			a, b := g.Cohorts[i].Next, g.Cohorts[j].Next
			return a != nil && b != nil && a.Median.Before(b.Median)
		})
		out = append(out, g)
	}
	return out
}

// sensorModel is a row of the technician's table.
type sensorModel struct {
	*daemon.SensorView
	RoomName string
	V        *view
}

func sensorOf(v *view, s *daemon.SensorView) sensorModel {
	return sensorModel{SensorView: s, RoomName: v.roomName(s.Room), V: v}
}

// Value returns the newest reading of a quantity, nil when there is none that
// may be shown: a silent sensor has none.
func (m sensorModel) Value(q sensors.Quantity) *sensors.Reading {
	if m.Silent {
		return nil
	}
	for i := range m.Values {
		if m.Values[i].Quantity == q {
			return &m.Values[i]
		}
	}
	return nil
}

// Temperature and the others are the columns of the sensor table.
func (m sensorModel) Temperature() *sensors.Reading { return m.Value(sensors.Temperature) }

// Humidity is the relative humidity in percent.
func (m sensorModel) Humidity() *sensors.Reading { return m.Value(sensors.RelativeHumidity) }

// Battery is the battery charge in percent.
func (m sensorModel) Battery() *sensors.Reading { return m.Value(sensors.Battery) }

// Signal is the radio power in dBm.
func (m sensorModel) Signal() *sensors.Reading { return m.Value(sensors.SignalStrength) }

// Urgent counts the alarms that wait for somebody.
func (v *view) Urgent() int { return alarmsOf(v, 0).Urgent }

// Announce is what a screen reader says, once, when trouble or the alarms
// change. The banners are not announced by themselves, since they are renewed
// with every update of the page.
func (v *view) Announce() string {
	var words []string
	if v.Silence > 0 {
		words = append(words, "rearguard has stopped publishing.")
	}
	if !v.S.Broker.Connected || !v.S.Broker.Subscribed {
		words = append(words, "No readings arrive from the broker.")
	}
	if !v.S.Store.OK {
		words = append(words, "Records cannot be written.")
	}
	if alarms := alarmsOf(v, 0).Announce; alarms != "" {
		words = append(words, "Alarm: "+alarms+".")
	}
	return strings.Join(words, " ")
}

// AllStages are the stages of all species, each once, for the form of a new
// cohort: the engine refuses a stage that the species chosen does not have.
func (v *view) AllStages() []daemon.StageName {
	seen := map[rearing.StageID]bool{}
	var out []daemon.StageName
	for _, s := range v.S.Species {
		for _, st := range s.Stages {
			if !seen[st.ID] {
				seen[st.ID] = true
				out = append(out, st)
			}
		}
	}
	return out
}

// StageOf is the name of a stage of the page's cohort.
func (m cohortModelPage) StageOf(stage rearing.StageID) string {
	return m.Cohort.V.stageName(m.Cohort.Species, stage)
}
