package facility

import (
	"cmp"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/strict"
)

// Defaults returns what holds where the file says nothing. There are no
// default limits on air: they come from the stages of the cohorts in a room and
// from the file.
func Defaults() Facility {
	return Facility{
		Site:    Site{Location: time.UTC},
		Records: Records{Path: "rearguard.db", Synchronous: Full, KeepDetailDays: 400},
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
		Limits:    Limits{DryingAfter: 30 * time.Minute, DampAfter: 4 * time.Hour},
		Incidents: Incidents{Settle: 20 * time.Minute, EscalateAfter: defaultEscalation()},
	}
}

// fillDefaults completes what depends on other values of the file.
func (f *Facility) fillDefaults() {
	for i := range f.Rooms {
		room := &f.Rooms[i]
		room.Name = cmp.Or(room.Name, string(room.ID))
		room.Limits.DryingAfter = cmp.Or(room.Limits.DryingAfter, f.Limits.DryingAfter)
		room.Limits.DampAfter = cmp.Or(room.Limits.DampAfter, f.Limits.DampAfter)
	}
	for i := range f.Sensors {
		if a := f.Sensors[i].Availability; a != nil {
			a.Online, a.Offline = cmp.Or(a.Online, "online"), cmp.Or(a.Offline, "offline")
		}
	}
	for i := range f.Channels {
		if smtp := f.Channels[i].SMTP; smtp != nil {
			smtp.fillDefaults()
		}
	}
	for i := range f.Channels {
		if t := f.Channels[i].Template; t != nil {
			t.fillDefaults()
		}
	}
	for i := range f.Alertmanagers {
		f.Alertmanagers[i].fillDefaults()
	}
	f.Drills.fillDefaults()
	f.fillOutside()
	for i := range f.Roster {
		if len(f.Roster[i].Priorities) == 0 {
			f.Roster[i].Priorities = []alerts.Priority{alerts.Medium, alerts.High, alerts.Critical}
		}
	}
}

// Over returns l with what it does not set taken from base.
func (l Limits) Over(base Limits) Limits {
	return strict.Overlay(base, l)
}

func (s *SMTP) fillDefaults() {
	s.TLS = cmp.Or(s.TLS, StartTLS)
	s.Port = cmp.Or(s.Port, map[TLS]int{StartTLS: 587, ImplicitTLS: 465, NoTLS: 25}[s.TLS])
}
