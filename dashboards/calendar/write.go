package calendar

import (
	"cmp"
	"fmt"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"

	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/sensors"
)

// refresh is how often calendars are asked to look again.
const refresh = "PT1H"

// wide is the width of an interval from which an event covers whole days: a
// time of day would then pretend to know more than it does.
const wide = 24 * time.Hour

const about = "What is expected of the cohorts, with the interval that holds 80 % of the forecasts. " +
	"For planning only: it carries no alarms, and calendars may show it hours late."

// write makes the feed of the events in the room and of the species; empty
// means all.
func write(s *snapshot.Snapshot, events []published, room sensors.RoomID, sp species.ID) (string, error) {
	loc := s.Location
	if loc == nil {
		loc = time.UTC
	}
	cal := ics.NewCalendar()
	cal.SetProductId("-//rearguard//expected events//EN")
	cal.SetCalscale("GREGORIAN")
	name := titleOf(s, room, sp)
	cal.SetName(name)
	cal.SetXWRCalName(name)
	cal.SetDescription(about)
	cal.SetXWRCalDesc(about)
	// The library writes VALUE=DURATION with the name of this property.
	cal.SetRefreshInterval(refresh)
	cal.SetXPublishedTTL(refresh)
	for _, p := range events {
		if (room == "" || p.room == room) && (sp == "" || p.species == sp) {
			cal.AddVEvent(eventOf(p, loc, s.Invented))
		}
	}
	var b strings.Builder
	if err := cal.SerializeTo(&b, ics.WithNewLine("\r\n")); err != nil {
		return "", fmt.Errorf("write the calendar: %w", err)
	}
	return b.String(), nil
}

func titleOf(s *snapshot.Snapshot, room sensors.RoomID, sp species.ID) string {
	parts := []string{"rearguard"}
	if s.Facility != "" {
		parts[0] = s.Facility
	}
	if room != "" {
		parts = append(parts, s.RoomName(room))
	}
	if sp != "" {
		name := string(sp)
		for _, c := range s.Cohorts {
			if c.Species == sp {
				name = cmp.Or(c.SpeciesName, name)
			}
		}
		parts = append(parts, name)
	}
	if s.Invented {
		parts = append(parts, "invented data")
	}
	return plain(strings.Join(parts, ", "))
}

func eventOf(p published, loc *time.Location, invented bool) *ics.VEvent {
	e := ics.NewEvent(p.uid)
	e.SetDtStampTime(p.stamp)
	e.SetModifiedAt(p.stamp)
	e.SetSequence(p.sequence)
	early, late := p.event.Early.In(loc), p.event.Late.In(loc)
	const day = "Mon 2 Jan 2006"
	interval := early.Format(day) + " to " + late.Format(day)
	median := p.event.Median.In(loc).Format(day)
	if late.Sub(early) > wide {
		e.SetAllDayStartAt(early)
		// The end is exclusive: the day after the last one.
		e.SetAllDayEndAt(late.AddDate(0, 0, 1))
	} else {
		e.SetStartAt(early)
		if late.Sub(early) >= time.Minute {
			e.SetEndAt(late)
		}
		interval = early.Format(day+" 15:04") + " to " + late.Format(day+" 15:04")
		median = p.event.Median.In(loc).Format(day + " 15:04")
	}
	e.SetSummary(plain(fmt.Sprintf("%s: %s %s", nameOf(p), cmp.Or(p.speciesName, string(p.species)), p.cohort)))
	e.SetLocation(plain(p.roomName))
	lines := []string{"Half of the cohort by " + median + ".", "80 % interval: " + interval + "."}
	if p.assumed {
		lines = append(lines, "The constants of this species are assumptions to verify on site.")
	}
	if invented {
		lines = append(lines, "Invented data of a demonstration.")
	}
	lines = append(lines, "For planning only, no alarm.")
	e.SetDescription(strings.Join(lines, "\n"))
	// Plans do not block anybody's time.
	e.SetTimeTransparency(ics.TransparencyTransparent)
	return e
}

func nameOf(p published) string {
	if p.event.Event == species.EventMoult {
		return "Moult to " + p.stageName
	}
	return format.Event(p.event.Event)
}

// plain removes what could break a content line out of its property.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}
