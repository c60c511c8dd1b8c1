package technician

import (
	"net/http"
	"strings"
	"time"

	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
)

// dueWithin is how long before its date a calibration is called for.
const dueWithin = 30 * 24 * time.Hour

type overviewModel struct {
	Due     []dueModel
	Trouble []Row
	OnBench []Row
	Topics  []topicModel
	// Rest counts the topics that are not shown.
	Rest         int
	Single       []snapshot.Room
	Apart        []apartModel
	Outside      []Row
	Retired      []desk.View
	Certificates []calibration.InForce
	// Configuration is nil where no file can be read again.
	Configuration *Configuration
}

type dueModel struct {
	desk.CalibrationDue
	Quantity string
}

// apartModel is a room whose sensors do not agree.
type apartModel struct {
	Room string
	ID   sensors.RoomID
	desk.Disagreement
}

func overviewPage(configuration func() Configuration) page.Page {
	return page.Page{
		Path:     "/technician",
		Sections: []page.Section{page.Fixed("technician-find"), page.Live("technician"), page.Fixed("technician-configuration")},
		Build: func(v *page.View, _ *http.Request) (page.Content, error) {
			m := overviewOf(v)
			if configuration != nil {
				now := configuration()
				m.Configuration = &now
			}
			return page.Content{Title: "Technician", Data: m}, nil
		},
	}
}

func overviewOf(v *page.View) overviewModel {
	var m overviewModel
	for _, d := range v.S.CalibrationsDue(dueWithin) {
		m.Due = append(m.Due, dueModel{d, strings.ToLower(format.Quantity(d.Series.Quantity))})
	}
	for _, s := range Rows(v, "") {
		if s.Bench != nil {
			m.OnBench = append(m.OnBench, s)
		} else if len(s.Findings) > 0 || s.Silent {
			m.Trouble = append(m.Trouble, s)
		}
		if s.Room == "" {
			m.Outside = append(m.Outside, s)
		}
	}
	for _, r := range v.S.Rooms {
		if r.TotalSensors == 1 {
			m.Single = append(m.Single, r)
		}
		for _, d := range r.Disagreements {
			if d.Raised {
				m.Apart = append(m.Apart, apartModel{v.S.RoomName(r.ID), r.ID, d})
			}
		}
	}
	m.Topics, m.Rest = topicsOf(v)
	m.Retired, m.Certificates = v.S.Retired, v.S.Certificates
	return m
}
