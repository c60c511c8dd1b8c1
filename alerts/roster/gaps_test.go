package roster_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/roster"
)

func TestGaps(t *testing.T) {
	now := time.Date(2026, 10, 20, 15, 12, 0, 0, berlin)
	line := func(hours *roster.Hours, which ...string) roster.Line {
		return roster.Line{People: []string{"ines", "ben"}, Channels: []string{"phone"}, Priorities: all[2:], Hours: hours, Days: days(which...)}
	}
	for name, c := range map[string]struct {
		lines []roster.Line
		away  map[string][]roster.Span
		want  []string
	}{
		"none": {lines: []roster.Line{line(hours("06:00..18:00")), line(hours("18:00..06:00"))}},
		"each week": {
			lines: []roster.Line{line(nil, "mon..sat"), line(hours("08:00..00:00"), "sun"), line(hours("00:00..06:30"), "sun")},
			want: []string{
				"nobody is called for critical alarms on Sundays 06:30 to 08:00; everybody of the roster would be",
				"nobody is called for high alarms on Sundays 06:30 to 08:00; everybody of the roster would be",
			},
		},
		"each day": {
			lines: []roster.Line{{People: []string{"ines"}, Channels: []string{"phone"}, Priorities: all[1:2], Hours: hours("07:00..23:00")}, line(nil)},
			want:  []string{"nobody is called for medium alarms every day 23:00 to 07:00"},
		},
		"for a while": {
			lines: []roster.Line{line(nil)},
			away:  map[string][]roster.Span{"ines": {{From: date("2026-10-01"), To: date("2026-10-26")}}, "ben": {{From: date("2026-10-24"), To: date("2026-10-30")}}},
			want: []string{
				"nobody is called for critical alarms from Sat 24 Oct 00:00 to Tue 27 Oct 00:00; everybody of the roster would be",
				"nobody is called for high alarms from Sat 24 Oct 00:00 to Tue 27 Oct 00:00; everybody of the roster would be",
				"everybody of one line of the roster is away from 2026-10-24 to 2026-10-26: Ines, Ben",
			},
		},
		"always": {
			lines: []roster.Line{{People: []string{"ines"}, Channels: []string{"phone"}, Priorities: all[3:]}},
			want:  []string{"nobody is called for high alarms at any time; everybody of the roster would be"},
		},
	} {
		r := &roster.Roster{Zone: berlin, Names: map[string]string{"ines": "Ines", "ben": "Ben"}, Lines: c.lines, Away: c.away}
		if d := cmp.Diff(c.want, r.Gaps(now)); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
}

func TestOnDuty(t *testing.T) {
	r := nights()
	at := time.Date(2026, 6, 2, 12, 0, 0, 0, berlin)
	for p, want := range map[alerts.Priority][][]string{alerts.High: {{"Ines"}, {"Ben"}, {"Carla"}}, alerts.Medium: {{"Dora"}}} {
		if d := cmp.Diff(want, r.OnDuty(at, p)); d != "" {
			t.Errorf("%s (-want +got):\n%s", p, d)
		}
	}
	if got := r.OnDuty(at.Add(11*time.Hour), alerts.Medium); got != nil {
		t.Errorf("at night: %v", got)
	}
}
