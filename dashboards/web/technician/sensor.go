// Package technician makes the pages for wiring, trusting and calibrating
// sensors.
package technician

import (
	"net/http"

	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Pages are the pages about sensors. History gives what was stored of them.
func Pages(history History, configuration func() Configuration) []page.Page {
	return []page.Page{
		overviewPage(configuration), clockPage(), searchPage(), claimPage(), sensorPage(), benchPage(),
		{Path: "/sensors/{id}/history", Sections: []page.Section{page.Fixed("position-history")}, Build: history.page},
		{Path: "/certificates/{number}", Sections: []page.Section{page.Fixed("certificate")}, Build: buildCertificate},
	}
}

// Actions are the forms of the technician.
func Actions(configuration func() Configuration) []page.Action {
	return []page.Action{
		{Path: "/technician/reload", Take: reload, Again: overviewPage(configuration)},
		{Path: "/clock/confirm", Take: confirmClock, Again: clockPage()},
		{Path: "/technician/find", Take: startSearch},
		{Path: "/technician/claim", Take: claim, Again: claimPage()},
		{Path: "/sensors/{id}/bench/start", Take: startBench, Again: benchPage()},
		{Path: "/sensors/{id}/bench/read", Take: readBench, Again: benchPage()},
		{Path: "/sensors/{id}/bench/finish", Take: finishBench, Again: benchPage()},
		{Path: "/sensors/{id}/bench/leave", Take: leaveBench, Again: benchPage()},
		{Path: "/sensors/{id}/reapply", Take: reapply, Again: sensorPage()},
	}
}

// Row is a sensor as tables show it.
type Row struct {
	*desk.View
	RoomName string
	V        *page.View
}

// rowOf makes the row of a sensor.
func rowOf(v *page.View, s *desk.View) Row {
	return Row{View: s, RoomName: v.S.RoomName(s.Room), V: v}
}

// Rows are those of the sensors of a room, or of all for none.
func Rows(v *page.View, room sensors.RoomID) []Row {
	var rows []Row
	for i := range v.S.Sensors {
		if room == "" || v.S.Sensors[i].Room == room {
			rows = append(rows, rowOf(v, &v.S.Sensors[i]))
		}
	}
	return rows
}

// value returns the newest reading of a quantity, nil when there is none that
// may be shown: a silent sensor has none.
func (r Row) value(q sensors.Quantity) *sensors.Reading {
	if r.Silent {
		return nil
	}
	for i := range r.Values {
		if r.Values[i].Quantity == q {
			return &r.Values[i]
		}
	}
	return nil
}

// Temperature and the others are the columns of the sensor table.
func (r Row) Temperature() *sensors.Reading { return r.value(sensors.Temperature) }

// Humidity is the relative humidity in percent.
func (r Row) Humidity() *sensors.Reading { return r.value(sensors.RelativeHumidity) }

// Battery is the battery charge in percent.
func (r Row) Battery() *sensors.Reading { return r.value(sensors.Battery) }

// Signal is the radio power in dBm.
func (r Row) Signal() *sensors.Reading { return r.value(sensors.SignalStrength) }

// Air are the sensor's series of temperature and humidity.
func (r Row) Air() []desk.SeriesView {
	var out []desk.SeriesView
	for _, s := range r.Series {
		if isAir(s.Quantity) {
			out = append(out, s)
		}
	}
	return out
}

// From is how far the sensor is from its room's median in a quantity, nil if
// that cannot be said.
func (r Row) From(q sensors.Quantity) *float64 {
	for _, s := range r.Series {
		if s.Quantity == q {
			return s.Offset
		}
	}
	return nil
}

func isAir(q sensors.Quantity) bool {
	return q == sensors.Temperature || q == sensors.RelativeHumidity
}

type sensorModel struct{ Sensor Row }

func sensorPage() page.Page {
	return page.Page{
		Path:     "/sensors/{id}",
		Sections: []page.Section{page.Live("sensor"), page.Live("sensor-quality"), page.Fixed("sensor-forms")},
		Build: func(v *page.View, r *http.Request) (page.Content, error) {
			s, err := v.S.Sensor(sensors.SensorID(r.PathValue("id")))
			if err != nil {
				return page.Content{}, err
			}
			return page.Content{Title: "Sensor " + string(s.ID), Data: sensorModel{rowOf(v, s)}}, nil
		},
	}
}

func sensorID(f *page.Form) sensors.SensorID { return sensors.SensorID(f.ID) }

func sensorPath(id sensors.SensorID) string { return page.To("/sensors", string(id)) }

func reapply(f *page.Form) (page.Outcome, error) {
	cmd, err := entry.Reapply(sensorID(f), f.Text("quantity"), f.Time("from"), f.Text("who"))
	return page.Outcome{Command: cmd, Done: "reapplied", Back: sensorPath(cmd.Sensor)}, err
}
