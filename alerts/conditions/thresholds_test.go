package conditions

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/harm"
	"rearguard/alerts/wording"
	"rearguard/sensors"
)

// noon is the time of these tests; nothing depends on the date.
func noon() time.Time { return time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC) }

// ago is so long before noon.
func ago(d time.Duration) time.Time { return noon().Add(-d) }

// look is an evaluation at noon with the rules of this program.
func look(in RoomState) evaluation {
	in.Now = noon()
	return evaluation{&in, NewEvaluator(Definitions())}
}

// What is as much as a threshold is on the side that its docstring says; these
// are the thresholds that nobody can see from outside by a whole course of air.

func TestDayOfASwing(t *testing.T) {
	e := look(RoomState{Limits: Limits{DaySwing: &Limit{Value: 4}}})
	hours := func(n int, first time.Time) []trend.Hour {
		var list []trend.Hour
		for h := range n {
			list = append(list, trend.Hour{Start: first.Add(time.Duration(h) * time.Hour), LowC: 24, HighC: 25})
		}
		return list
	}
	oldest := func(age time.Duration) *trend.Trend {
		return &trend.Trend{Hours: append([]trend.Hour{{Start: ago(age), LowC: 20, HighC: 20}}, hours(12, ago(12*time.Hour))...)}
	}
	for _, c := range []struct {
		name  string
		trend *trend.Trend
		want  alerts.Truth
	}{
		{"half a day", &trend.Trend{Hours: hours(12, ago(12*time.Hour))}, alerts.False},
		{"less", &trend.Trend{Hours: hours(11, ago(12*time.Hour))}, alerts.Unknown},
		{"nothing", &trend.Trend{}, alerts.Unknown},
		{"cold a day ago", oldest(24 * time.Hour), alerts.True},
		{"cold before that", oldest(24*time.Hour + time.Second), alerts.False},
	} {
		if o := e.swing(c.trend); o.Truth != c.want {
			t.Errorf("%s: %v of %g °C, want %v", c.name, o.Truth, o.Value, c.want)
		}
	}
}

func TestChangeThatIsNearlyFast(t *testing.T) {
	now := 25.0
	e := look(RoomState{TemperatureC: &now})
	for _, c := range []struct {
		perHour, low, high float64
		want               alerts.Truth
	}{
		{1.5, 0.1, 2.9, alerts.False}, {1.51, 0.1, 2.9, alerts.Between}, {-1.51, -2.9, -0.1, alerts.Between},
		{5, 2.01, 8, alerts.True}, {-5, -8, -2.01, alerts.True}, {5, 2, 8, alerts.Between},
	} {
		o := &alerts.Observation{}
		e.sayChange(o, &Limit{Value: 2}, &trend.Trend{Temperature: trend.Slope{Known: true, PerHour: c.perHour, Low: c.low, High: c.high}})
		if o.Truth != c.want || (o.Detail.String() == "") != (c.want == alerts.False) {
			t.Errorf("%+g °C/h (%g to %g) against 2: %v, %q, want %v", c.perHour, c.low, c.high, o.Truth, o.Detail.String(), c.want)
		}
	}
}

// Time that did not pass changes nothing that is remembered.
func TestSpansInWords(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{3*time.Hour - time.Minute, "179 min"}, {3 * time.Hour, "3.0 h"},
		{7*24*time.Hour - time.Hour, "167.0 h"}, {7 * 24 * time.Hour, "7 days"},
	} {
		if got := wording.Say("%s", wording.Span(c.d)).String(); got != c.want {
			t.Errorf("%s is written %q, want %q", c.d, got, c.want)
		}
	}
	for _, c := range []struct {
		minutes float64
		want    string
	}{
		{0, "lethal dose reached"}, {0.6, "about 1 min to lethal injury"}, {119, "about 119 min to lethal injury"}, {120, "about 2 h to lethal injury"},
		{47 * 60, "about 47 h to lethal injury"}, {48 * 60, "days to lethal injury at this temperature"},
	} {
		if got := timeLeft(c.minutes).String(); got != c.want {
			t.Errorf("%g min are written %q, want %q", c.minutes, got, c.want)
		}
	}
}

// How many rooms must fail, how close together, before one cause is behind it.
func TestSensorThatIsLate(t *testing.T) {
	e := look(RoomState{})
	silent := func(s SensorState) alerts.Truth { return e.silent(s).Truth }
	for _, c := range []struct {
		name string
		s    SensorState
		want alerts.Truth
	}{
		{"in time", SensorState{Interval: 2 * time.Minute, LastReading: ago(6*time.Minute - time.Second)}, alerts.False},
		{"three intervals", SensorState{Interval: 2 * time.Minute, LastReading: ago(6 * time.Minute)}, alerts.True},
		{"no interval", SensorState{LastReading: ago(time.Hour)}, alerts.Unknown},
		{"expected for less", SensorState{Interval: 2 * time.Minute, LastReading: ago(6 * time.Minute), ExpectedSince: ago(5 * time.Minute)}, alerts.Unknown},
		{"expected for less, and heard not long before", SensorState{Interval: 2 * time.Minute, LastReading: ago(6*time.Minute - time.Second), ExpectedSince: ago(5 * time.Minute)}, alerts.False},
		{"expected for as long", SensorState{Interval: 2 * time.Minute, ExpectedSince: ago(6 * time.Minute)}, alerts.True},
	} {
		if got := silent(c.s); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	for _, c := range []struct {
		s    SensorState
		want alerts.Truth
	}{{SensorState{Interval: time.Minute}, alerts.Unknown}, {SensorState{}, alerts.False}} {
		if o := e.fault(&c.s, alerts.Unknown); o.Truth != c.want {
			t.Errorf("readings of a sensor with an interval of %s that is not heard: %v, want %v", c.s.Interval, o.Truth, c.want)
		}
	}
	if a, b := SilentAfter(100*time.Second), SilentAfter(200*time.Second); a != 5*time.Minute || b != 10*time.Minute {
		t.Errorf("missed after %s and %s", a, b)
	}
}

// Of two sensors that are missed the one that was further off is named, of two
// that were as far off the first.
func TestWhichMissedSensorIsNamed(t *testing.T) {
	for _, c := range []struct {
		values [2]float64
		want   sensors.SensorID
	}{{[2]float64{34, 34}, "a"}, {[2]float64{34, 35}, "b"}, {[2]float64{35, 34}, "a"}} {
		e := look(RoomState{Sensors: []SensorState{{ID: "a"}, {ID: "b"}}})
		m := &RoomMemory{Witnesses: map[alerts.Condition][]Witness{Heat: {{Sensor: "a", Value: c.values[0]}, {Sensor: "b", Value: c.values[1]}}}}
		o := alerts.Observation{Key: alerts.Key{Condition: Heat}, Limit: 30, Truth: alerts.False}
		o = e.rest(o, m, e.beyond(&o, temperatureOf, alerts.Above))
		if want := "the sensor that measured it, " + string(c.want) + ","; o.Truth != alerts.Unknown || !strings.HasPrefix(o.Detail.String(), want) {
			t.Errorf("%v: %v, %q, want %q", c.values, o.Truth, o.Detail.String(), want)
		}
		if !m.Rests(Heat) || m.Rests(Chill) {
			t.Error("what rests on a sensor is not known")
		}
	}
}

// A sensor that is heard and not believed is told from one that is not heard.
func TestMissedSensorThatIsHeard(t *testing.T) {
	for _, c := range []struct {
		a, b time.Time // when they were heard last
		want string
	}{
		{ago(time.Hour), ago(time.Hour), "has said nothing since 11:00"},
		{ago(time.Minute), ago(time.Hour), "has said nothing that can be believed since 11:00"},
		{ago(time.Hour), ago(time.Minute), "has said nothing since 11:00"},
	} {
		e := look(RoomState{Sensors: []SensorState{{ID: "a", LastReading: c.a}, {ID: "b", LastReading: c.b}}})
		if got := e.lost(&Witness{Sensor: "a", Value: 31, At: ago(time.Hour)}, "°C").String(); got != "the sensor that measured it, a, "+c.want+"; last value 31.0 °C" {
			t.Errorf("says %q, want %q in it", got, c.want)
		}
	}
}

func TestDoseAtItsEdges(t *testing.T) {
	limit := &DoseLimit{Limit: Limit{Value: 70}, For: time.Hour}
	dose := func(x Exposure, blind bool) alerts.Observation {
		e := look(RoomState{Blind: blind, Dampest: &Point{Sensor: "a", Value: 80}})
		o := e.found(Damp, "%")
		e.dose(&o, limit, e.in.Dampest, humidityOf, &RoomMemory{}, x)
		return o
	}
	since := func(beyond, missed time.Duration) Exposure {
		return Exposure{At: ago(time.Minute), Truth: alerts.True, Since: ago(2 * time.Hour), Beyond: beyond - time.Minute, Missed: missed}
	}
	if o := dose(since(time.Hour, 0), false); o.Truth != alerts.True {
		t.Errorf("beyond for as long as it may be: %v", o.Truth)
	}
	if o := dose(since(time.Hour-time.Second, time.Minute-time.Second), false); o.Truth != alerts.Between || strings.Contains(o.Detail.String(), "without data") {
		t.Errorf("beyond for less: %v, %q", o.Truth, o.Detail.String())
	}
	if o := dose(since(time.Hour, time.Minute), false); !strings.Contains(o.Detail.String(), "1 min of it without data") {
		t.Errorf("a minute without data: %q", o.Detail.String())
	}
	if o := dose(Exposure{At: ago(time.Minute), Truth: alerts.True}, true); o.Detail.String() != "" {
		t.Errorf("nothing counted yet, and no data: %q", o.Detail.String())
	}
	if o := dose(since(2*time.Minute, 0), true); !strings.HasSuffix(o.Detail.String(), "1 min counted so far") {
		t.Errorf("a minute counted, and no data: %q", o.Detail.String())
	}
}

func TestInjuryAtItsEdges(t *testing.T) {
	line := harm.Line{CTMaxC: 45, ZC: 4, BoundaryC: 38}
	cohort := HeatCohort{ID: "a", Stage: "pupa", Line: line}
	at := func(c float64) evaluation {
		return look(RoomState{Cohorts: []HeatCohort{cohort}, Warmest: &Point{Sensor: "s", Value: c}})
	}
	deadband := at(0).rules.deadband[HeatInjury]
	for _, c := range []struct {
		c    float64
		want alerts.Truth
	}{{38, alerts.True}, {37.99, alerts.Between}, {38 - deadband, alerts.Between}, {37.99 - deadband, alerts.False}, {math.NaN(), alerts.Unknown}} {
		if got := at(38).injures(c.c); got != c.want {
			t.Errorf("%g °C injures: %v, want %v", c.c, got, c.want)
		}
	}
	for _, c := range []struct {
		name  string
		c     float64
		share float64
		left  float64
		want  alerts.Truth
		due   bool
	}{
		{"as large a share as is an alarm", 39, 0.05, 500, alerts.True, true},
		{"a smaller one", 39, 0.049, 500, alerts.Between, true},
		{"as little time left as is an alarm", 39, 0, 120, alerts.True, true},
		{"more", 39, 0, 121, alerts.Between, true},
		{"a year left", 39, 0, 365 * 24 * 60, alerts.Between, false},
		{"nearly a year left", 39, 0, 365*24*60 - 1, alerts.Between, true},
		{"cooler, within the deadband", 38 - deadband, 0.5, math.Inf(1), alerts.Between, false},
		{"cooler", 37.9 - deadband, 0.5, math.Inf(1), alerts.False, false},
	} {
		o := &alerts.Observation{}
		at(c.c).sayInjury(o, cohort, Injury{Share: c.share}, c.left)
		if o.Truth != c.want || o.Due.IsZero() == c.due || o.Value != 100*c.share {
			t.Errorf("%s: %v, due %v, %g %%; want %v", c.name, o.Truth, o.Due, o.Value, c.want)
		}
	}
	x := Injury{At: ago(30 * time.Minute), TemperatureC: 40}
	if got := x.count(line, noon(), 40).Share; math.Abs(got-30*line.PerMinute(40)) > 1e-12 {
		t.Errorf("half an hour without data counts %g, at a steady 40 °C it is %g", got, 30*line.PerMinute(40))
	}
	if got := x.count(line, noon().Add(time.Second), 40); got.Share != 0 || got.At.Equal(x.At) {
		t.Errorf("more than half an hour without data becomes %+v", got)
	}
	if got := at(39).injury(&trend.Trend{}, &RoomMemory{}); got.Limit != 5 {
		t.Errorf("the limit is %g %%", got.Limit)
	}
	o := &alerts.Observation{}
	if at(37.9).sayInjury(o, cohort, Injury{}, math.Inf(1)); strings.Contains(o.Detail.String(), ";") {
		t.Errorf("a temperature that injures nobody: %q", o.Detail.String())
	}
	warming := &trend.Trend{Temperature: trend.Slope{Known: true, PerHour: 6, Low: 3, High: 9}}
	if got, want := at(40).minutesLeft(line, Injury{}, warming), line.MinutesLeft(0, 40, 0.1); got != want {
		t.Errorf("%g min left at 0.1 °C a minute, want %g", got, want)
	}
	steady := line.MinutesLeft(0, 38, 0)
	if got := at(38).minutesLeft(line, Injury{}, warming); got >= steady {
		t.Errorf("%g min left while it warms, %g if it did not", got, steady)
	}
	warming.Temperature.Low = 0
	if got := at(38).minutesLeft(line, Injury{}, warming); got != steady {
		t.Errorf("%g min left while it may be steady, want %g", got, steady)
	}
}

// Of cohorts with as little time left, the one that has suffered more is named;
// of those that have as much, the first.
func TestWhichInjuredCohortIsNamed(t *testing.T) {
	line := harm.Line{CTMaxC: 45, ZC: 4, BoundaryC: 38}
	for _, c := range []struct {
		shares  [2]float64
		blind   bool
		warmest float64
		want    string
	}{
		{[2]float64{0.2, 0.2}, false, 40, "cohort a"}, {[2]float64{0.2, 0.3}, false, 40, "cohort b"}, {[2]float64{0.3, 0.2}, false, 40, "cohort a"},
		{[2]float64{1.2, 1.2}, false, 40, "cohort a"}, {[2]float64{1.2, 1.3}, false, 40, "cohort b"},
		{[2]float64{0.2, 0.2}, true, 40, "cohort a"}, {[2]float64{0.2, 0.3}, true, 40, "cohort b"}, {[2]float64{0, 0}, true, 40, ""},
	} {
		e := look(RoomState{Blind: c.blind, Warmest: &Point{Sensor: "s", Value: c.warmest}, Cohorts: []HeatCohort{{ID: "a", Stage: "pupa", Line: line}, {ID: "b", Stage: "pupa", Line: line}}})
		m := &RoomMemory{Injuries: map[string]Injury{}}
		for i, id := range []string{"a", "b"} {
			m.Injuries[id] = Injury{Share: c.shares[i], At: noon(), TemperatureC: c.warmest}
		}
		if o := e.injury(&trend.Trend{}, m); !strings.Contains(o.Detail.String(), c.want) || c.want == "" && strings.Contains(o.Detail.String(), "cohort") {
			t.Errorf("shares %v, blind %v: %q, want %q", c.shares, c.blind, o.Detail.String(), c.want)
		}
	}
}

func TestMouldAtItsEdges(t *testing.T) {
	air := 25.0
	say := func(percent, share float64, blind bool) alerts.Observation {
		e := look(RoomState{Blind: blind, TemperatureC: &air, Dampest: &Point{Sensor: "a", Value: percent}, Limits: Limits{MouldRisk: &Limit{Value: 50}}})
		return e.mould(&RoomMemory{Mould: Mould{At: noon(), Share: share, PerHour: 0.05, Known: true}})
	}
	for _, c := range []struct {
		name           string
		percent, share float64
		blind          bool
		want           alerts.Truth
		detail         string
	}{
		{"as far as is an alarm", 95.5, 0.5, false, alerts.True, "spores germinate in about 10 h"},
		{"not so far", 95.5, 0.49, false, alerts.Between, "spores germinate in about 10 h"},
		{"out of the window", 89, 0.9, false, alerts.False, ""},
		{"at the edge of the window", 90, 0.5, false, alerts.True, "spores germinate in about 36 h"},
		{"no data, and something counted", 95.5, 0.2, true, alerts.Unknown, "mould index 20 of 100 so far"},
		{"no data, and nothing counted", 95.5, 0, true, alerts.Unknown, ""},
	} {
		o := say(c.percent, c.share, c.blind)
		if o.Truth != c.want || !strings.Contains(o.Detail.String(), c.detail) || c.detail == "" && o.Detail.String() != "" {
			t.Errorf("%s: %v, %q; want %v, %q", c.name, o.Truth, o.Detail.String(), c.want, c.detail)
		}
	}
	if o := say(95.5, 0.5, false); !o.Due.Equal(noon().Add(10 * time.Hour)) {
		t.Errorf("due %v", o.Due)
	}
}

// Which sensors a finding rests on from one look to the next.
func TestWitnessesFromLookToLook(t *testing.T) {
	now := func(c float64) Measured { return Measured{c, true} }
	for _, c := range []struct {
		name   string
		before []Witness
		a, b   Measured
		truth  alerts.Truth
		on     []sensors.SensorID
		want   alerts.Truth
	}{
		{"both within", nil, now(29), now(29), alerts.False, nil, alerts.False},
		{"one beyond", nil, now(31), now(29), alerts.True, []sensors.SensorID{"a"}, alerts.True},
		{"nearly back", []Witness{{Sensor: "a", Value: 31}}, now(29.9), now(29.9), alerts.Between, []sensors.SensorID{"a"}, alerts.Between},
		{"nearly back, the other first", []Witness{{Sensor: "b", Value: 31}, {Sensor: "a", Value: 31}}, now(29.9), now(29.9), alerts.Between, []sensors.SensorID{"a", "b"}, alerts.Between},
		{"nearly there", nil, now(29.9), now(29), alerts.Between, nil, alerts.Between},
		{"back", []Witness{{Sensor: "a", Value: 31}}, now(29), now(29), alerts.False, nil, alerts.False},
		{"missed", []Witness{{Sensor: "a", Value: 31}}, Measured{}, now(29), alerts.False, []sensors.SensorID{"a"}, alerts.Unknown},
		{"missed, and nothing known", []Witness{{Sensor: "a", Value: 31}}, Measured{}, Measured{}, alerts.Unknown, []sensors.SensorID{"a"}, alerts.Unknown},
		{"missed, and the other beyond", []Witness{{Sensor: "a", Value: 31}}, Measured{}, now(31), alerts.True, []sensors.SensorID{"a", "b"}, alerts.True},
		{"missed, and the limit is higher now", []Witness{{Sensor: "a", Value: 29}}, Measured{}, now(29), alerts.False, nil, alerts.False},
	} {
		e := look(RoomState{Sensors: []SensorState{{ID: "a", Temperature: c.a}, {ID: "b", Temperature: c.b}}})
		m := &RoomMemory{Witnesses: map[alerts.Condition][]Witness{Heat: c.before}}
		o := alerts.Observation{Key: alerts.Key{Condition: Heat}, Limit: 30, Truth: c.truth}
		o = e.rest(o, m, e.beyond(&o, temperatureOf, alerts.Above))
		var on []sensors.SensorID
		for _, w := range m.Witnesses[Heat] {
			on = append(on, w.Sensor)
		}
		if o.Truth != c.want || fmt.Sprint(on) != fmt.Sprint(c.on) || strings.HasPrefix(o.Detail.String(), "the sensor that measured it") != (c.want == alerts.Unknown) {
			t.Errorf("%s: %v on %v (%q), want %v on %v", c.name, o.Truth, on, o.Detail.String(), c.want, c.on)
		}
	}
	a, b := &SensorState{ID: "a"}, &SensorState{ID: "b"}
	for truth, want := range map[alerts.Truth][2]alerts.Truth{
		alerts.True: {alerts.True, alerts.Between}, alerts.False: {alerts.False, alerts.False}, alerts.Between: {alerts.Between, alerts.Between},
	} {
		say := shown(&alerts.Observation{Truth: truth}, nil, &Point{Sensor: "a"})
		if got := [2]alerts.Truth{say.judge(a, 0), say.judge(b, 0)}; got != want {
			t.Errorf("%v shown by one of two: %v, want %v", truth, got, want)
		}
	}
}

func TestBlindDay(t *testing.T) {
	day := func(low, high float64, blind bool) alerts.Observation {
		var hours []trend.Hour
		for h := range 20 {
			hours = append(hours, trend.Hour{Start: ago(time.Duration(h) * time.Hour), LowC: low, HighC: high})
		}
		return look(RoomState{Blind: blind, Limits: Limits{DaySwing: &Limit{Value: 4}}}).swing(&trend.Trend{Hours: hours})
	}
	if o := day(20, 25, true); o.Truth != alerts.True || o.Detail.String() != "20.0 to 25.0 °C within 24 h" {
		t.Errorf("a swing that was seen: %v, %q", o.Truth, o.Detail.String())
	}
	if o := day(20, 22, true); o.Truth != alerts.Unknown {
		t.Errorf("no swing, and blind: %v", o.Truth)
	}
	if o := day(20, 22, false); o.Truth != alerts.False || o.Detail.String() != "" {
		t.Errorf("no swing: %v, %q", o.Truth, o.Detail.String())
	}
}

// How long consequences stay folded once what they follow from is over.
func TestLevelBetweenLooks(t *testing.T) {
	v := NewEvaluator(Definitions())
	in := &RoomState{
		Now: noon(), Limits: Limits{Heat: &Limit{Value: 30}, Chill: &Limit{Value: 10}},
		Warmest: &Point{Sensor: "a", Value: 31}, Coldest: &Point{Sensor: "b", Value: 9},
	}
	for c, want := range map[alerts.Condition]float64{Heat: 31, Chill: 9} {
		if o := v.Level(c, in, &RoomMemory{}); o.Key.Condition != c || o.Truth != alerts.True || o.Value != want {
			t.Errorf("%s: %+v, want %g °C", c, o, want)
		}
	}
}

// A blind room gives its reason where nothing else is said, and beside what is
// not counted; what is known keeps its words.
func TestReasonOfABlindRoom(t *testing.T) {
	uncounted := wording.Say(notCounted, wording.Name("11:00"), wording.Name("half"))
	out := []alerts.Observation{
		{Truth: alerts.Unknown}, {Truth: alerts.Unknown, Detail: uncounted}, {Truth: alerts.Unknown, Detail: wording.Report("other words")},
		{Truth: alerts.True}, {Truth: alerts.False, Detail: uncounted},
	}
	look(RoomState{}).sayBlindness(out)
	for i, want := range []string{"no believable temperature", "no believable temperature; not counted since 11:00, half", "other words", "", "not counted since 11:00, half"} {
		if out[i].Detail.String() != want {
			t.Errorf("%d: %q, want %q", i, out[i].Detail, want)
		}
	}
}

// An injury goes with its cohort, and is kept while nothing is counted.
func TestInjuryIsKept(t *testing.T) {
	line := harm.Line{CTMaxC: 45, ZC: 4, BoundaryC: 38}
	e := look(RoomState{Blind: true, Cohorts: []HeatCohort{{ID: "a", Line: line}, {ID: "b", Line: line}}})
	m := &RoomMemory{Injuries: map[string]Injury{"a": {Share: 0.2}}}
	e.injury(&trend.Trend{}, m)
	if len(m.Injuries) != 1 || m.Injuries["a"].Share != 0.2 {
		t.Errorf("of a blind room %+v is kept", m.Injuries)
	}
	there := RoomMemory{Injuries: map[string]Injury{"c": {Share: 0.1}}}
	for _, to := range []RoomMemory{{}, there} {
		from, next := m.MoveInjury(to, "a")
		if len(from.Injuries) != 0 || next.Injuries["a"].Share != 0.2 || next.Injuries["c"] != to.Injuries["c"] {
			t.Errorf("moved beside %+v: %+v is left, %+v is there", to.Injuries, from.Injuries, next.Injuries)
		}
	}
	if len(there.Injuries) != 1 || len(m.Injuries) != 1 {
		t.Error("a memory was changed in place")
	}
}

func TestWordsAboutWhatIsNotCounted(t *testing.T) {
	e := look(RoomState{})
	for detail, want := range map[string]string{"": "not counted since 11:00, half", "blind": "blind; not counted since 11:00, half"} {
		o := &alerts.Observation{Detail: wording.Report(detail)}
		if e.sayUncounted(o, ago(time.Hour), wording.Say("half")); o.Detail.String() != want {
			t.Errorf("says %q, want %q", o.Detail.String(), want)
		}
	}
	for _, c := range []struct {
		in   RoomState
		want string
	}{
		{RoomState{Surface: &Surface{}}, emptyRoom},
		{RoomState{Limits: Limits{Heat: &Limit{Value: 30}}}, "no cold surface is given for the room"},
	} {
		if o := look(c.in).condensation(&RoomMemory{}); o.Detail.String() != c.want || o.Truth != alerts.False {
			t.Errorf("says %q (%v), want %q", o.Detail.String(), o.Truth, c.want)
		}
	}
}
