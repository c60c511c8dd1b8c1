package facility

import (
	"cmp"
	"time"

	"rearguard/alerts"
)

// Defaults returns what holds where the file says nothing. There are no
// default limits on air: they come from the stages of the cohorts in a room and
// from the file.
func Defaults() Facility {
	return Facility{
		Site:    Site{Location: time.UTC},
		Records: Records{Path: "rearguard.db", Synchronous: "full"},
		Broker: Broker{
			AvailabilityTopic: "rearguard/availability",
			PayloadLimitBytes: 64 << 10,
		},
		Web: Web{Listen: "127.0.0.1:8080"},
		Ingest: Ingest{
			FutureTolerance: 5 * time.Minute,
			AgeLimit:        30 * 24 * time.Hour,
			GapLimit:        6 * time.Hour,
		},
		Limits: Limits{DryingAfter: 30 * time.Minute, DampAfter: 4 * time.Hour},
	}
}

// fillDefaults completes what depends on other values of the file.
func (f *Facility) fillDefaults() {
	if f.Site.Location == nil {
		f.Site.Location = time.UTC
	}
	for i := range f.Rooms {
		room := &f.Rooms[i]
		if room.Name == "" {
			room.Name = string(room.ID)
		}
		room.Limits.DryingAfter = cmp.Or(room.Limits.DryingAfter, f.Limits.DryingAfter)
		room.Limits.DampAfter = cmp.Or(room.Limits.DampAfter, f.Limits.DampAfter)
	}
	for i := range f.Sensors {
		if a := f.Sensors[i].Availability; a != nil {
			if a.Online == "" {
				a.Online = "online"
			}
			if a.Offline == "" {
				a.Offline = "offline"
			}
		}
	}
	for i := range f.Channels {
		if smtp := f.Channels[i].SMTP; smtp != nil {
			smtp.fillDefaults()
		}
	}
	for i := range f.Roster {
		if len(f.Roster[i].Priorities) == 0 {
			f.Roster[i].Priorities = []alerts.Priority{alerts.Medium, alerts.High, alerts.Critical}
		}
	}
}

// Over returns l with what it does not set taken from base.
func (l Limits) Over(base Limits) Limits {
	if l.HeatCelsius == nil {
		l.HeatCelsius = base.HeatCelsius
	}
	if l.ChillCelsius == nil {
		l.ChillCelsius = base.ChillCelsius
	}
	if l.DryingKilopascals == nil {
		l.DryingKilopascals = base.DryingKilopascals
	}
	if l.DryingAfter == 0 {
		l.DryingAfter = base.DryingAfter
	}
	if l.DampPercent == nil {
		l.DampPercent = base.DampPercent
	}
	if l.DampAfter == 0 {
		l.DampAfter = base.DampAfter
	}
	l.DaySwingCelsius = cmp.Or(l.DaySwingCelsius, base.DaySwingCelsius)
	l.FastChangeCelsiusPerHour = cmp.Or(l.FastChangeCelsiusPerHour, base.FastChangeCelsiusPerHour)
	l.MouldPercent = cmp.Or(l.MouldPercent, base.MouldPercent)
	return l
}

func (s *SMTP) fillDefaults() {
	if s.TLS == "" {
		s.TLS = "starttls"
	}
	if s.Port == 0 {
		s.Port = map[string]int{"starttls": 587, "implicit": 465, "none": 25}[s.TLS]
	}
}
