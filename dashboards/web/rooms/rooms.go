// Package rooms makes the overview and the pages of the rooms.
package rooms

import (
	"net/http"

	"rearguard/alerts/conditions"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web/alarms"
	"rearguard/dashboards/web/chart"
	"rearguard/dashboards/web/cohorts"
	"rearguard/dashboards/web/page"
	"rearguard/dashboards/web/technician"
	"rearguard/sensors"
)

// Pages are the overview and the pages of the rooms.
func Pages() []page.Page {
	return []page.Page{
		{Path: "/{$}", Build: buildOverview, Sections: []page.Section{
			page.Live("alarms"), page.Live("rooms"), page.Live("coming"), page.Live("cohorts"), page.Live("sensors"), page.Live("system"),
		}},
		{Path: "/rooms/{id}", Build: buildRoom, Sections: []page.Section{page.Live("room"), page.Live("room-trust")}},
	}
}

// overviewAlarms is how many open alarms the overview shows before it points
// to the alarms page; more would push the rooms out of reach on a phone.
const overviewAlarms = 6

// overviewComing is how many events to expect the overview lists, those with
// the most animals today first.
const overviewComing = 20

type overviewModel struct {
	Alarms  alarms.Lists
	Rooms   []card
	Groups  []cohorts.Group
	Sensors []technician.Row
	// Coming are the animals expected to pass an event within a week;
	// MoreComing counts the events left out.
	Coming     []cohorts.Expected
	MoreComing int
}

func buildOverview(v *page.View, _ *http.Request) (page.Content, error) {
	o := overviewModel{
		Alarms: alarms.ListsOf(v, overviewAlarms), Groups: cohorts.Groups(v),
		Sensors: technician.Rows(v, ""), Coming: cohorts.ExpectedOf(v, v.S.Cohorts),
	}
	if n := len(o.Coming); n > overviewComing {
		o.Coming, o.MoreComing = o.Coming[:overviewComing], n-overviewComing
	}
	for i := range v.S.Rooms {
		o.Rooms = append(o.Rooms, cardOf(v, &v.S.Rooms[i]))
	}
	return page.Content{Title: "Overview", Data: o}, nil
}

type roomModel struct {
	Room    card
	Alarms  []alarms.Card
	Cohorts []cohorts.Card
	Sensors []technician.Row
}

func buildRoom(v *page.View, r *http.Request) (page.Content, error) {
	room, err := v.S.Room(sensors.RoomID(r.PathValue("id")))
	if err != nil {
		return page.Content{}, err
	}
	m := roomModel{Room: cardOf(v, room), Sensors: technician.Rows(v, room.ID)}
	for i := range v.S.Alarms {
		if v.S.Alarms[i].Key.Room == room.ID {
			m.Alarms = append(m.Alarms, alarms.CardOf(v, &v.S.Alarms[i]))
		}
	}
	for i := range v.S.Cohorts {
		if v.S.Cohorts[i].Room == room.ID {
			m.Cohorts = append(m.Cohorts, cohorts.CardOf(v, &v.S.Cohorts[i]))
		}
	}
	return page.Content{Title: m.Room.Title, Data: m}, nil
}

// card is a room with its curves.
type card struct {
	*snapshot.Room
	Title string
	// OneSensor is set when nothing could contradict the room's sensor.
	OneSensor             bool
	TemperatureC, HumidRH chart.Drawing
	// Alarms counts those that are active and not silenced.
	Alarms, Cohorts int
	V               *page.View
}

func cardOf(v *page.View, r *snapshot.Room) card {
	c := card{Room: r, Title: v.S.RoomName(r.ID), OneSensor: r.TotalSensors == 1, V: v}
	temperature := chart.Curve{Name: "Temperature", Unit: "°C", LeastSpan: 4, Now: v.S.Time, Zone: v.Loc}
	humidity := chart.Curve{Name: "Relative humidity", Unit: "%", LeastSpan: 20, Now: v.S.Time, Zone: v.Loc}
	for _, l := range r.Limits {
		// Limits of swing, rate and risk share units with the air and are no
		// level in a chart of it.
		switch l.Condition {
		case conditions.Heat:
			temperature.Limits = append(temperature.Limits, chart.Limit{Value: l.Value, Bad: chart.Above})
		case conditions.Chill:
			temperature.Limits = append(temperature.Limits, chart.Limit{Value: l.Value, Bad: chart.Below})
		case conditions.Damp:
			humidity.Limits = append(humidity.Limits, chart.Limit{Value: l.Value, Bad: chart.Above})
		}
	}
	for _, p := range r.Recent {
		temperature.Points = append(temperature.Points, chart.Point{Time: p.Time, Value: p.Temperature})
		humidity.Points = append(humidity.Points, chart.Point{Time: p.Time, Value: p.Humidity})
	}
	c.TemperatureC, c.HumidRH = temperature.Draw(), humidity.Draw()
	for i := range v.S.Alarms {
		if a := &v.S.Alarms[i]; a.Key.Room == r.ID && a.Active && !alarms.Silenced(a) {
			c.Alarms++
		}
	}
	for i := range v.S.Cohorts {
		if v.S.Cohorts[i].Room == r.ID {
			c.Cohorts++
		}
	}
	return c
}
