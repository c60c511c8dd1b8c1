package letter_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/wording"
	"rearguard/alerts/wording/wordingtest"
)

// begin is the time of the alarms in these tests: a winter night.
var begin = time.Date(2025, 1, 14, 1, 14, 0, 0, time.UTC)

func heat(kind letter.Kind, at time.Time) letter.AlarmNotice {
	return letter.AlarmNotice{
		Facility: "Invented Moth House", Kind: kind, Audience: letter.Audience{Zone: "Europe/Berlin"},
		Key: alerts.Key{Condition: "heat", Room: "nursery"}, Occurrence: 42, Priority: alerts.High,
		Title: "too hot", RoomName: "Nursery", Measure: wording.Measure{Value: 36.44, Limit: 35, Unit: "°C"},
		Advice: alerts.Advice{
			Cause:         "Heater stuck on, cooling or ventilation stopped, sun on the room, or a lamp too close.",
			Consequence:   "Animals are injured by the hour and die; eggs and pupae cannot move away.",
			FirstAction:   "Switch the heater off at its isolator and open the door. If it stays hot, move the cohorts to a cooler room.",
			TimeToRespond: time.Hour,
		},
		Detail: wording.Say("%s", wording.Name("shelf 2 (nursery-north)")).And("; limit set by %s", wording.Of(wording.Report("cohort atlas-3 in pupa"))),
		Circumstances: letter.Circumstances{
			AtRisk: []letter.Cohort{{ID: "atlas-3", Species: "Atlas Moth", Stage: "pupa", Animals: 40, Near: "eclosion"}, {ID: "m-1", Species: "Monarch", Stage: "instar 3", Animals: 120}},
			Others: []letter.Companion{{Title: "air too dry for too long", Value: 1.9, Limit: 1.1, Unit: "kPa", AirC: new(36.4)}},
			Steps:  []string{"Check the humidifier's water and power. Until it runs, hang wet cloths and close the vents; keep water away from sockets."},
		},
		RaisedAt: begin, Time: at, Links: letter.Links{Link: "https://rearguard.example.org/alarms/incidents/42"},
	}
}

func as(n letter.AlarmNotice, language wording.Language, scale wording.Scale) letter.AlarmNotice {
	n.Language, n.Scale = language, scale
	return n
}

// reading is a notice with what a person reads of it at a time.
type reading struct {
	name   string
	notice letter.AlarmNotice
	now    time.Time
	want   string
}

// answers are notices that can be answered.
func answers() []reading {
	call := letter.AlarmNotice{
		Facility: "Moth House", Kind: letter.Raised, Key: alerts.Key{Condition: "broker_lost"}, Occurrence: 7, Priority: alerts.Medium, RaisedAt: begin, Time: begin,
		Title: "no sensor messages at all", Advice: alerts.Advice{Cause: "C.", Consequence: "D.", FirstAction: "F."}, Links: letter.Links{Link: "https://x/alarms", Answer: "https://x/n/T"},
	}
	test := letter.AlarmNotice{
		Facility: "Invented Moth House", Kind: letter.Test, Occurrence: -3, Priority: alerts.Low, RaisedAt: begin, Time: begin,
		Circumstances: letter.Circumstances{AskedBy: "Ines"}, Links: letter.Links{Link: "https://x/people", Answer: "https://x/n/T"},
	}
	plain := test
	plain.AskedBy, plain.Answer, plain.Invented = "", "", true
	return []reading{
		{"with an address to answer at", call, begin, `
No sensor messages at all
Since Tue 14 Jan 01:14 UTC (medium priority).

Do first: F.

Likely cause: C.
If nobody acts: D.

I am going, I have it, or quiet for a while: https://x/n/T
This link is for one person alone, and good for a day.
Moth House, incident 7
`},
		{"test, in German", as(test, wording.German, ""), begin, `
Test von Invented Moth House: nichts passiert
Antippen sagt, dass dies angekommen ist.
Verlangt von Ines, Di 14. Jan. 01:14 UTC.

Angekommen: https://x/n/T
Dieser Link gilt nur für eine Person und einen Tag.
Invented Moth House
`},
		{"test of a drill, without an address to answer at", plain, begin, `
[demo] Test from Invented Moth House: nothing is wrong
Please say that this arrived.
Part of the drill of Tue 14 Jan 01:14 UTC, which shows whether alarms arrive.

Say so on the page of people: https://x/people
Invented Moth House
This facility is invented: nothing needs to be done.
`},
	}
}

// calls are notices that call for somebody.
func calls() []reading {
	invented := heat(letter.Reminder, begin.Add(3*time.Hour))
	invented.Invented, invented.Circumstances, invented.Detail = true, letter.Circumstances{}, wording.Report("as an older record has it")
	return []reading{
		{"raised", heat(letter.Raised, begin), begin.Add(time.Second), `
Nursery: too hot 36.4 °C, act within 59 min
At risk: 2 cohorts: 40 Atlas Moth (pupa, delicate: eclosion), 120 Monarch (instar 3)
Since Tue 14 Jan 02:14 CET (high priority). Act by Tue 14 Jan 03:14 CET (within 1 h).

Do first: Switch the heater off at its isolator and open the door. If it stays hot, move the cohorts to a cooler room.
Then: Check the humidifier's water and power. Until it runs, hang wet cloths and close the vents; keep water away from sockets.

Measured: 36.4 °C, limit 35.0 °C
Details: shelf 2 (nursery-north); limit set by cohort atlas-3 in pupa
With it: air too dry for too long 1.90 kPa (about 69 % at 36 °C)
Likely cause: Heater stuck on, cooling or ventilation stopped, sun on the room, or a lamp too close.
If nobody acts: Animals are injured by the hour and die; eggs and pupae cannot move away.

Acknowledge: https://rearguard.example.org/alarms/incidents/42
Invented Moth House, incident 42
`},
		{"raised, in German and °F", as(heat(letter.Raised, begin), wording.German, wording.Fahrenheit), begin.Add(time.Second), `
Nursery: zu heiß 97,6 °F, noch 59 min Zeit
Gefährdet: 2 Zuchtgruppen: 40 Atlas Moth (Puppe, empfindlich: Schlüpfen aus der Puppe), 120 Monarch (3. Larvenstadium)
Seit Di 14. Jan. 02:14 MEZ (Dringlichkeit hoch). Handeln bis Di 14. Jan. 03:14 MEZ (noch 1 h).

Zuerst: Heizung am Hauptschalter ausschalten und die Tür öffnen. Bleibt es heiß, die Zuchtgruppen in einen kühleren Raum bringen.
Dann: Wasser und Strom des Luftbefeuchters prüfen. Bis er läuft, nasse Tücher aufhängen und Klappen schließen; Wasser von Steckdosen fernhalten.

Gemessen: 97,6 °F, Grenze 95,0 °F
Näheres: shelf 2 (nursery-north); Grenze von Zuchtgruppe atlas-3 (Puppe)
Dazu: Luft zu lange zu trocken 1,90 kPa (etwa 69 % bei 98 °F)
Wahrscheinliche Ursache: Heizung hängt, Kühlung oder Lüftung steht, Sonne auf dem Raum oder eine Lampe zu nah.
Wenn niemand handelt: Die Tiere nehmen mit jeder Stunde Schaden und sterben; Eier und Puppen können nicht ausweichen.

Bestätigen: https://rearguard.example.org/alarms/incidents/42
Invented Moth House, Vorfall 42
`},
		{"invented, too late, from an older record", invented, begin.Add(4 * time.Hour), `
[demo] Still: Nursery: too hot 36.4 °C, act now
Since Tue 14 Jan 02:14 CET (high priority). Act now: the time to respond ended at Tue 14 Jan 03:14 CET.

Do first: Switch the heater off at its isolator and open the door. If it stays hot, move the cohorts to a cooler room.

Measured: 36.4 °C, limit 35.0 °C
Details: as an older record has it
Likely cause: Heater stuck on, cooling or ventilation stopped, sun on the room, or a lamp too close.
If nobody acts: Animals are injured by the hour and die; eggs and pupae cannot move away.
This message is 1 h late: it could not be delivered before.

Acknowledge: https://rearguard.example.org/alarms/incidents/42
Invented Moth House, incident 42
This facility is invented: nothing needs to be done.
`},
	}
}

// ends are notices that nobody needs to come for, and the shortest.
func ends() []reading {
	taken := heat(letter.Taken, begin.Add(time.Minute))
	taken.TakenBy = "Ines"
	facility := letter.AlarmNotice{
		Facility: "Moth House", Kind: letter.Raised, Key: alerts.Key{Condition: "broker_lost"}, Occurrence: 7, Priority: alerts.Medium,
		Title: "no sensor messages at all", Advice: alerts.Advice{Cause: "C.", Consequence: "D.", FirstAction: "F."}, RaisedAt: begin, Time: begin,
	}
	return []reading{
		{"over", heat(letter.Cleared, begin.Add(37*time.Minute)), begin.Add(37 * time.Minute), `
Back to normal: Nursery (was: too hot, 37 min)
On from Tue 14 Jan 02:14 CET to Tue 14 Jan 02:51 CET (37 min), now back to normal.
Furthest: 36.4 °C, limit 35.0 °C
With it were: air too dry for too long 1.90 kPa (about 69 % at 36 °C)

At risk: 2 cohorts: 40 Atlas Moth (pupa, delicate: eclosion), 120 Monarch (instar 3)
Look after the animals if nobody has: Animals are injured by the hour and die; eggs and pupae cannot move away.

See: https://rearguard.example.org/alarms/incidents/42
Invented Moth House, incident 42
`},
		{"raised and over in one, in German", as(heat(letter.Over, begin.Add(25*time.Hour)), wording.German, wording.Celsius), begin.Add(25 * time.Hour), `
Wieder normal: Nursery (war: zu heiß, 25 h)
Dauer: Di 14. Jan. 02:14 MEZ bis Mi 15. Jan. 03:14 MEZ (1 Tag 1 h), jetzt wieder normal.
Am weitesten: 36,4 °C, Grenze 35,0 °C
Dazu kamen: Luft zu lange zu trocken 1,90 kPa (etwa 69 % bei 36 °C)
Die Nachricht vom Beginn ließ sich vor dem Ende nicht zustellen.

Gefährdet: 2 Zuchtgruppen: 40 Atlas Moth (Puppe, empfindlich: Schlüpfen aus der Puppe), 120 Monarch (3. Larvenstadium)
Nach den Tieren sehen, falls es noch niemand getan hat: Die Tiere nehmen mit jeder Stunde Schaden und sterben; Eier und Puppen können nicht ausweichen.

Ansehen: https://rearguard.example.org/alarms/incidents/42
Invented Moth House, Vorfall 42
`},
		{"taken", taken, begin.Add(time.Minute), `
Ines has it: Nursery: too hot
Ines has it since Tue 14 Jan 02:15 CET. No need to come unless there is another call.

See: https://rearguard.example.org/alarms/incidents/42
Invented Moth House, incident 42
`},
		{"without room, number, link or time to respond", facility, begin, `
No sensor messages at all
Since Tue 14 Jan 01:14 UTC (medium priority).

Do first: F.

Likely cause: C.
If nobody acts: D.

Moth House, incident 7
`},
	}
}

func TestLetters(t *testing.T) {
	for _, tt := range slices.Concat(calls(), ends(), answers()) {
		t.Run(tt.name, func(t *testing.T) {
			subject, body := letter.Render(tt.notice, tt.now)
			if diff := cmp.Diff(strings.TrimPrefix(tt.want, "\n"), body); diff != "" {
				t.Errorf("body (-want +got):\n%s", diff)
			}
			if first, _, _ := strings.Cut(body, "\n"); first != subject {
				t.Errorf("the body begins with %q, and the subject is %q", first, subject)
			}
		})
	}
}

// readers are everybody who can be told.
func readers() []wording.Reader {
	var list []wording.Reader
	for _, language := range []wording.Language{wording.English, wording.German} {
		for _, scale := range []wording.Scale{wording.Celsius, wording.Fahrenheit} {
			list = append(list, wording.Reader{Language: language, Scale: scale})
		}
	}
	return list
}

// A headline of any condition fits on a locked phone, and holds what is wrong,
// how much and how long is left, and enough of the room to know it.
func TestHeadlines(t *testing.T) {
	const room = "Gewächshaus Nord, Kammer 12 hinten links"
	for _, d := range conditions.Definitions() {
		for _, r := range readers() {
			for _, kind := range []letter.Kind{letter.Raised, letter.Reminder, letter.Taken, letter.Going, letter.Cleared, letter.Over} {
				for _, invented := range []bool{false, true} {
					for _, left := range []time.Duration{-time.Minute, time.Minute, 119 * time.Minute, 47 * time.Hour, 300 * time.Hour} {
						headlineOf(t, d, r, kind, invented, left, room)
					}
				}
			}
		}
	}
}

// aboutRearguard are the conditions that have no room.
func aboutRearguard(c alerts.Condition) bool {
	switch c {
	case conditions.BrokerLost, conditions.CertificateEnding, conditions.StoreFailing, conditions.RecordsDamaged, conditions.RecordsDoubted,
		conditions.NoticeUndeliverable, conditions.ClockWrong, conditions.ClockMoved, conditions.MainsLost, conditions.CohortUnwatched, conditions.SpeciesLost:
		return true
	}
	return false
}

func headlineOf(t *testing.T, d alerts.Definition, r wording.Reader, kind letter.Kind, invented bool, left time.Duration, room string) {
	t.Helper()
	now := begin.Add(500 * time.Hour)
	n := letter.AlarmNotice{
		Kind: kind, Key: alerts.Key{Condition: d.Condition, Room: "room", Subject: "hall-a"}, RoomName: room, Title: d.Title, Invented: invented,
		Measure:  wording.Measure{Value: 38.5, Limit: 33, Unit: d.Unit, Difference: d.Difference},
		Audience: letter.Audience{Language: r.Language, Scale: r.Scale}, RaisedAt: now.Add(-37 * time.Hour), Time: now, Due: now.Add(left),
		Circumstances: letter.Circumstances{TakenBy: "Annegret von und zu Hohenfels"},
	}
	if d.NoticeUnit != "" {
		n.Unit = d.NoticeUnit
	}
	if d.Unit == "kPa" {
		n.Value, n.AirC = 1.92, new(31.0)
	}
	if aboutRearguard(d.Condition) {
		n.Key.Room, n.RoomName, n.Key.Subject = "", "", ""
	}
	text, _ := letter.Render(n, now)
	state := map[letter.Kind]string{
		letter.Reminder: r.Phrase("Still: {what}{left}"), letter.Cleared: r.Phrase("Back to normal (was: {what}{left})"),
		letter.Over: r.Phrase("Back to normal (was: {what}{left})"), letter.Taken: "{what}", letter.Going: "{what}",
	}[kind]
	state, _, _ = strings.Cut(state, "{")
	state, _, _ = strings.Cut(state, " (")
	holds := func(what string, any ...string) {
		t.Helper()
		for _, one := range any {
			if strings.Contains(strings.ToLower(text), strings.ToLower(one)) {
				return
			}
		}
		t.Errorf("%s of %s: %q does not hold the %s %q", kind, d.Condition, text, what, any)
	}
	if got := utf8.RuneCountInString(text); got > letter.HeadlineLimit {
		t.Errorf("%s of %s: %q has %d characters", kind, d.Condition, text, got)
	}
	holds("state", state)
	holds("title", r.Word(d.Title), r.Brief(d.Title))
	if n.RoomName != "" {
		holds("beginning of the room", room[:1]+"…", room[:2])
	}
	if invented {
		holds("demo", r.Word("[demo] "))
	}
	if kind == letter.Raised || kind == letter.Reminder {
		if n.Unit != "" {
			holds("value", r.Short(n.Measure))
		}
		if left < time.Minute {
			holds("time left", r.Word(", act now"), r.Word(", now"))
		} else {
			holds("time left", r.Phrase(", act within %s", r.Left(left)), r.Phrase(", %s left", r.Left(left)))
		}
	}
}

// Names come from people and may hold anything: a headline stays one line of its
// length, and a body keeps its lines.
func TestLettersKeepTheirShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]letter.Kind{letter.Raised, letter.Reminder, letter.Taken, letter.Going, letter.Cleared, letter.Over, letter.Test}).Draw(t, "kind")
		r := rapid.SampledFrom(readers()).Draw(t, "reader")
		n := as(heat(kind, begin), r.Language, r.Scale)
		n.RoomName = "Gewächshaus Nord, Kammer 12 hinten links"
		_, plain := letter.Render(n, begin)
		n.RoomName = rapid.StringN(40, 80, -1).Draw(t, "room")
		n.Key.Subject = rapid.String().Draw(t, "subject")
		n.Title = rapid.OneOf(rapid.Just(n.Title), rapid.String()).Draw(t, "title")
		n.TakenBy, n.AskedBy, n.Facility = rapid.String().Draw(t, "taken by"), "x"+rapid.String().Draw(t, "asked by"), rapid.String().Draw(t, "facility")
		n.Detail = wording.Report("x" + rapid.String().Draw(t, "detail"))
		n.Cause = rapid.String().Draw(t, "cause")
		n.AtRisk[0].Species = rapid.String().Draw(t, "species")
		n.Value = rapid.Float64().Draw(t, "value")
		n.Unit = rapid.SampledFrom([]string{"°C", "%", "kPa", "min", "s", "days", "of 100"}).Draw(t, "unit")
		n.AirC = rapid.Ptr(rapid.Float64(), true).Draw(t, "air")
		n.Invented = rapid.Bool().Draw(t, "invented")
		subject, body := letter.Render(n, begin)
		if strings.ContainsAny(subject, "\r\n") || !utf8.ValidString(subject) {
			t.Fatalf("subject breaks its line: %q", subject)
		}
		if got := utf8.RuneCountInString(subject); got > letter.HeadlineLimit {
			t.Fatalf("%q has %d characters", subject, got)
		}
		lines := func(s string) int { return strings.Count(s, "\n") }
		// The line that says that it is invented, and that of the whole place,
		// may be there or not.
		if got, want := lines(body), lines(plain); got < want-1 || got > want+2 || strings.Contains(body, "\r") {
			t.Fatalf("body has %d lines, want about %d:\n%s", got, want, body)
		}
	})
}

// Rooms whose names begin alike are told apart.
func TestLongNamesKeepBeginningAndEnd(t *testing.T) {
	for _, name := range []string{"Greenhouse North, upper floor, chamber 12", "Greenhouse North, upper floor, chamber 13"} {
		n := heat(letter.Reminder, begin)
		n.RoomName, n.Invented = name, true
		subject, body := letter.Render(n, begin)
		_, end, _ := strings.Cut(subject, "…")
		if !strings.HasPrefix(subject, "[demo] Still: Greenhouse") || !strings.Contains(end, name[len(name)-2:]+": too hot 36.4 °C, ") {
			t.Errorf("%q is told as %q", name, subject)
		}
		if !strings.Contains(body, "\nWhere: "+name+"\n") {
			t.Errorf("the body does not say where in full:\n%s", body)
		}
	}
}

// Several alarms are one message with the headline of the most urgent.
func TestLettersOfSeveral(t *testing.T) {
	over := heat(letter.Cleared, begin.Add(time.Hour))
	list := []letter.AlarmNotice{heat(letter.Raised, begin), over}
	for range 40 {
		list = append(list, heat(letter.Reminder, begin))
	}
	for _, c := range []struct {
		language wording.Language
		subject  string
		says     []string
	}{
		{wording.English, "Nursery: too hot 36.4 °C, act within 1 h (+41 more)", []string{
			"\n42 alarms: 41 high, 1 back to normal. The most urgent:\n", "\n- high: Nursery 36.4 °C: too hot (limit 35.0 °C), since Tue 14 Jan 02:14 CET\n",
			"\n- back to normal: Nursery: too hot, on from Tue 14 Jan 02:14 CET to Tue 14 Jan 03:14 CET\n", "\n- and 12 more, which the page of alarms shows\n",
		}},
		{wording.German, "Nursery: zu heiß 36,4 °C, noch 1 h Zeit (+41 weitere)", []string{
			"\n42 Alarme: 41 hoch, 1 wieder normal. Der dringendste:\n", "\n- hoch: Nursery 36,4 °C: zu heiß (Grenze 35,0 °C), seit Di 14. Jan. 02:14 MEZ\n",
			"\n- wieder normal: Nursery: zu heiß, von Di 14. Jan. 02:14 MEZ bis Di 14. Jan. 03:14 MEZ\n", "\n- und 12 weitere, siehe Seite der Alarme\n",
		}},
	} {
		for i := range list {
			list[i].Language = c.language
		}
		subject, body := letter.RenderAll(list, begin)
		if subject != c.subject {
			t.Errorf("subject %q, want %q", subject, c.subject)
		}
		for _, want := range c.says {
			if !strings.Contains(body, want) {
				t.Errorf("does not say %q:\n%s", want, body)
			}
		}
	}
}

// Who is at risk is a short line, however many there are.
func TestAtRiskIsBounded(t *testing.T) {
	n := heat(letter.Raised, begin)
	n.AtRisk = nil
	for i := range 50 {
		n.AtRisk = append(n.AtRisk, letter.Cohort{ID: fmt.Sprint("c-", i), Species: strings.Repeat("long name ", 9), Stage: "egg", Animals: 1000})
	}
	_, body := letter.Render(n, begin)
	line := strings.Split(body, "\n")[1]
	if !strings.HasPrefix(line, "At risk: 50 cohorts: 1000 long name") || !strings.Contains(line, " and 49 more") || utf8.RuneCountInString(line) > 200 {
		t.Errorf("says %q", line)
	}
	n.AtRisk = n.AtRisk[:1]
	n.AtRisk[0].Species, n.AtRisk[0].Animals = "", 0
	_, body = letter.Render(n, begin)
	if line := strings.Split(body, "\n")[1]; line != "At risk: 1 cohort: c-0 (egg)" {
		t.Errorf("says %q", line)
	}
}

// Every condition is told in German by a whole letter, and English is seen where
// it is.
func TestNoEnglishInGermanLetters(t *testing.T) {
	names := []string{"Invented Moth House", "Atlas Moth", "Monarch", "shelf 2 (nursery-north)", "Ines"}
	for _, d := range conditions.Definitions() {
		for _, kind := range []letter.Kind{letter.Raised, letter.Reminder, letter.Taken, letter.Going, letter.Cleared, letter.Over} {
			n := heat(kind, begin)
			n.Title, n.Advice, n.Priority, n.TakenBy, n.Invented, n.Key.Condition = d.Title, d.Advice(), d.Priority(), "Ines", true, d.Condition
			n.Unit, n.Difference = d.Unit, d.Difference
			late := begin.Add(26 * time.Hour)
			_, english := letter.Render(n, late)
			_, german := letter.Render(as(n, wording.German, wording.Fahrenheit), late)
			if found := wordingtest.EnglishIn(german, names...); len(found) > 0 || strings.Contains(german, "°C") {
				t.Errorf("%s of %s: English %q or °C in\n%s", kind, d.Condition, found, german)
			}
			if found := wordingtest.EnglishIn(english, names...); len(found) < 3 {
				t.Errorf("%s of %s: only %q is seen as English in\n%s", kind, d.Condition, found, english)
			}
		}
	}
}
