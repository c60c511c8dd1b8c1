package wording_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rearguard/alerts/wording"
)

var (
	berlin = func() *time.Location {
		zone, err := time.LoadLocation("Europe/Berlin")
		if err != nil {
			panic(err)
		}
		return zone
	}()
	noon = time.Date(2025, 1, 14, 11, 5, 0, 0, time.UTC)

	english   = wording.Reader{Zone: berlin}
	german    = wording.Reader{Language: wording.German, Zone: berlin}
	americans = wording.Reader{Scale: wording.Fahrenheit, Zone: berlin}
	both      = wording.Reader{Language: wording.German, Scale: wording.Fahrenheit, Zone: berlin}
)

// A temperature, a difference of two and a rate are told in each unit.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		arg                                wording.Arg
		english, german, fahrenheit, inTwo string
	}{
		{wording.Value(30, 1, "°C"), "30.0 °C", "30,0 °C", "86.0 °F", "86,0 °F"},
		{wording.Value(-40, 0, "°C"), "-40 °C", "-40 °C", "-40 °F", "-40 °F"},
		{wording.Value(-0.01, 1, "°C"), "0.0 °C", "0,0 °C", "32.0 °F", "32,0 °F"},
		{wording.Value(21.4, 1, "°C").Bare(), "21.4", "21,4", "70.5", "70,5"},
		{wording.Difference(2, 1), "2.0 °C", "2,0 °C", "3.6 °F", "3,6 °F"},
		{wording.Change(2, 1, "°C"), "+2.0 °C", "+2,0 °C", "+3.6 °F", "+3,6 °F"},
		{wording.Change(-2, 1, "°C/h"), "-2.0 °C/h", "-2,0 °C/h", "-3.6 °F/h", "-3,6 °F/h"},
		{wording.Value(2, 1, "°C/h"), "2.0 °C/h", "2,0 °C/h", "3.6 °F/h", "3,6 °F/h"},
		{wording.Value(62, 0, "of 100"), "62 of 100", "62 von 100", "62 of 100", "62 von 100"},
		{wording.Value(1, 0, "days"), "1 day", "1 Tag", "1 day", "1 Tag"},
		{wording.Value(1.4, 0, "rooms"), "1 room", "1 Raum", "1 room", "1 Raum"},
		{wording.Value(1.4, 1, "days"), "1.4 days", "1,4 Tage", "1.4 days", "1,4 Tage"},
		{wording.Value(12, 0, "days"), "12 days", "12 Tage", "12 days", "12 Tage"},
		{wording.Value(math.NaN(), 0, "°C"), "not known", "nicht bekannt", "not known", "nicht bekannt"},
		{wording.Difference(math.Inf(1), 0), "not known", "nicht bekannt", "not known", "nicht bekannt"},
		{wording.Number(3.14159, 2), "3.14", "3,14", "3.14", "3,14"},
		{wording.Name("Halle 30 °C"), "Halle 30 °C", "Halle 30 °C", "Halle 30 °C", "Halle 30 °C"},
		{wording.Span(90 * time.Minute), "90 min", "90 min", "90 min", "90 min"},
		{wording.Span(200 * time.Minute), "3.3 h", "3,3 h", "3.3 h", "3,3 h"},
		{wording.Span(8 * 24 * time.Hour), "8 days", "8 Tage", "8 days", "8 Tage"},
		{wording.Clock(noon, noon.Add(time.Hour), berlin), "12:05", "12:05", "12:05", "12:05"},
		{wording.Clock(noon, noon.Add(24*time.Hour), berlin), "14 Jan 12:05", "14. Jan. 12:05", "14 Jan 12:05", "14. Jan. 12:05"},
		{wording.Date(noon), "14 January 2025 12:05", "14. Januar 2025 12:05", "14 January 2025 12:05", "14. Januar 2025 12:05"},
		{wording.Word("never"), "never", "nie", "never", "nie"},
	} {
		said := wording.Say("%s", c.arg)
		for r, want := range map[wording.Reader]string{english: c.english, german: c.german, americans: c.fahrenheit, both: c.inTwo} {
			if got := r.Say(said); got != want {
				t.Errorf("%+v: %q, want %q", c.arg, got, want)
			}
		}
	}
}

// Temperatures in the sentences of a definition are none that a format knows.
func TestSentencesTellTemperaturesInTheReadersUnit(t *testing.T) {
	const cause = "Air stays above 90 % humidity between 15 and 35 °C: too little ventilation, too much mist or wet food."
	for r, want := range map[wording.Reader]string{
		english: "between 15 and 35 °C: too", americans: "between 59 and 95 °F: too", german: "bei 15 bis 35 °C: zu", both: "bei 59 bis 95 °F: zu",
	} {
		if got := r.Word(cause); !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
}

func TestSpans(t *testing.T) {
	for _, c := range []struct {
		d                      time.Duration
		exactly, left, inWords string
	}{
		{0, "less than 1 min", "1 min", "weniger als 1 min"}, {-time.Hour, "less than 1 min", "1 min", "weniger als 1 min"}, {50 * time.Minute, "50 min", "50 min", "50 min"},
		{time.Hour, "1 h", "1 h", "1 h"}, {119 * time.Minute, "1 h 59 min", "119 min", "1 h 59 min"}, {150 * time.Minute, "2 h 30 min", "2 h", "2 h 30 min"},
		{25 * time.Hour, "1 day 1 h", "25 h", "1 Tag 1 h"}, {48 * time.Hour, "2 days", "2 days", "2 Tage"}, {72*time.Hour + 5*time.Minute, "3 days 5 min", "3 days", "3 Tage 5 min"},
	} {
		if a, b, d := english.Exactly(c.d), english.Left(c.d), german.Exactly(c.d); a != c.exactly || b != c.left || d != c.inWords {
			t.Errorf("%v is %q, %q and %q, want %q, %q and %q", c.d, a, b, d, c.exactly, c.left, c.inWords)
		}
	}
}

// A vapour pressure deficit is never told alone where the air is known. At 27 °C
// the air holds 3.57 kPa, by the tables of any psychrometric chart.
func TestVapourPressureDeficitIsToldAsHumidity(t *testing.T) {
	m := wording.Measure{Value: 1.9, Limit: 1.1, Unit: "kPa", AirC: new(27.0)}
	for r, want := range map[wording.Reader]string{
		english: "1.90 kPa (about 47 % at 27 °C)", both: "1,90 kPa (etwa 47 % bei 81 °F)",
	} {
		if got := r.Measured(m); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := english.Limited(m); got != "1.10 kPa (about 69 % at 27 °C)" {
		t.Errorf("limit %q", got)
	}
	if got := german.Short(m); got != "47 %" {
		t.Errorf("in short %q", got)
	}
	m.AirC = nil
	if got := english.Measured(m) + ", " + english.Short(m); got != "1.90 kPa, 1.90 kPa" {
		t.Errorf("of unknown air: %q", got)
	}
	for m, want := range map[wording.Measure]string{
		{Value: 185, Unit: "s"}: "3 min", {Value: 61, Unit: "min"}: "61 min", {Value: 13, Unit: "h"}: "13 h", {Value: 100, Unit: "h"}: "4 days",
	} {
		if got := english.Short(m); got != want {
			t.Errorf("%+v is %q in short, want %q", m, got, want)
		}
	}
}

// args are arguments of all kinds.
func args() *rapid.Generator[wording.Arg] {
	return rapid.Deferred(func() *rapid.Generator[wording.Arg] {
		number := rapid.Float64()
		digits := rapid.IntRange(0, 4)
		instant := rapid.Custom(func(t *rapid.T) time.Time {
			return noon.Add(time.Duration(rapid.Int64Range(0, 1e17).Draw(t, "after")))
		})
		return rapid.OneOf(
			rapid.Map(rapid.String(), wording.Name[string]), rapid.Map(rapid.String(), wording.Word),
			rapid.Custom(func(t *rapid.T) wording.Arg {
				return wording.Value(number.Draw(t, "value"), digits.Draw(t, "digits"), rapid.SampledFrom([]string{"", "°C", "%", "kPa", "days"}).Draw(t, "unit"))
			}),
			rapid.Custom(func(t *rapid.T) wording.Arg {
				return wording.Change(number.Draw(t, "value"), digits.Draw(t, "digits"), "°C").Bare()
			}),
			rapid.Custom(func(t *rapid.T) wording.Arg { return wording.Difference(number.Draw(t, "value"), 1) }),
			rapid.Custom(func(t *rapid.T) wording.Arg {
				return wording.Clock(instant.Draw(t, "time"), instant.Draw(t, "now"), berlin)
			}),
			rapid.Map(instant, wording.Date),
			rapid.Map(rapid.Int64(), func(d int64) wording.Arg { return wording.Span(time.Duration(d)) }),
			rapid.Map(texts(), wording.Of),
		)
	})
}

func texts() *rapid.Generator[wording.Text] {
	return rapid.Custom(func(t *rapid.T) wording.Text {
		switch rapid.IntRange(0, 3).Draw(t, "form") {
		case 0:
			return wording.Report(rapid.String().Draw(t, "report"))
		case 1:
			return wording.Say(rapid.SampledFrom([]string{"measured", "never", "{}", `"`}).Draw(t, "phrase"))
		case 2:
			return wording.Say("%s, since %s", args().Draw(t, "a"), args().Draw(t, "b")).And("; %s", args().Draw(t, "c"))
		}
		return wording.Text{}
	})
}

// What is kept is what was said, whatever it holds.
func TestTextsSurviveTheRecords(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		said := texts().Draw(t, "text")
		body, err := json.Marshal(said)
		if err != nil {
			t.Fatal(err)
		}
		var back wording.Text
		if err := json.Unmarshal(body, &back); err != nil {
			t.Fatalf("%s: %v", body, err)
		}
		if !back.Equal(said) {
			t.Fatalf("%s is read as %+v, and was %+v", body, back, said)
		}
		for _, r := range []wording.Reader{english, german, americans, both} {
			if a, b := r.Say(said), r.Say(back); a != b {
				t.Fatalf("said %q, and %q from the records", a, b)
			}
		}
		again, err := json.Marshal(back)
		if err != nil || string(again) != string(body) {
			t.Fatalf("written again it is %s, %v; it was %s", again, err, body)
		}
	})
}

func TestOldRecordsAreReports(t *testing.T) {
	var old wording.Text
	if err := json.Unmarshal([]byte(`"100 %s of 3 °C; limit set by cohort atlas-3 in pupa"`), &old); err != nil {
		t.Fatal(err)
	}
	if got := german.Say(old); got != "100 %s of 3 °C; limit set by cohort atlas-3 in pupa" {
		t.Errorf("said %q", got)
	}
	for _, bad := range []string{`7`, `{"say": 7}`, `{"say": "%s", "with": {}}`, `[`} {
		if err := json.Unmarshal([]byte(bad), &old); err == nil {
			t.Errorf("%s was read", bad)
		}
	}
	// Nothing in the records makes it panic.
	for _, odd := range []string{`{"say": "%s %s %d", "with": [{"is": "text"}]}`, `{"say": "%[9]s", "with": [{}]}`, `{"say": "%", "with": [{"is": "number", "digits": -3}]}`, `{}`, `null`} {
		var text wording.Text
		if err := json.Unmarshal([]byte(odd), &text); err == nil {
			_ = german.Say(text)
		}
	}
}

// Words of other parts are told in German where their form is known, and as they
// are otherwise.
func TestReports(t *testing.T) {
	for words, want := range map[string]string{
		"cohort atlas-3 in pupa":                           "Zuchtgruppe atlas-3 (Puppe)",
		"cohort m-1 near eclosion":                         "Zuchtgruppe m-1 (kurz vor oder nach: Schlüpfen aus der Puppe)",
		"temperature is hard to believe":                   "Temperatur ist kaum zu glauben",
		"disk I/O error":                                   "disk I/O error",
		"mail: mail server mx: 451 later":                  "mail: Mailserver mx: 451 later",
		"mail: mail server mx did not confirm the message": "mail: Mailserver mx hat die Nachricht nicht bestätigt",
		`The broker at b:1 refuses the login as user "r". Check the user name and the password, and that the broker has this account.`: `Der Broker unter b:1 weist die Anmeldung als Benutzer "r" ab. Benutzername und Passwort prüfen, und ob der Broker dieses Konto hat.`,
	} {
		if got := german.Say(wording.Report(words)); got != want {
			t.Errorf("%q is told as %q, want %q", words, got, want)
		}
		if got := english.Say(wording.Report(words)); got != words {
			t.Errorf("%q is told as %q in English", words, got)
		}
	}
}

// A clock that was moved takes what was said along.
func TestInstantsMoveWithTheClock(t *testing.T) {
	said := wording.Say("%s, since %s", wording.Name("shelf"), wording.Clock(noon, noon, berlin)).And("; %s", wording.Of(wording.Say("since %s: %s", wording.Date(noon), wording.Span(time.Hour))))
	if got, want := english.Say(said.Moved(time.Hour)), "shelf, since 13:05; since 14 January 2025 13:05: 60 min"; got != want {
		t.Errorf("moved it says %q, want %q", got, want)
	}
	if got, want := english.Say(said), "shelf, since 12:05; since 14 January 2025 12:05: 60 min"; got != want {
		t.Errorf("what was not moved says %q, want %q", got, want)
	}
}
