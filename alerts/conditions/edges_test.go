package conditions

import (
	"math"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/wording"
)

// A room that follows an exponential is at the limit when the exponential is;
// the slopes of the two halves of the window are its slopes in their middles.
func TestProjectionFollowsWhatLevelsOff(t *testing.T) {
	const tau, rise, gap = 0.5, 3.0, 2.0 // hours, °C to come, °C to the limit
	rate := func(hours float64) float64 { return rise / tau * math.Exp(-hours/tau) }
	quarter := (trend.SlopeWindow / 4).Hours()
	tr := &trend.Trend{
		Temperature: trend.Slope{Known: true, PerHour: rate(-2 * quarter), Low: rate(0), High: rate(-4 * quarter)},
		Early:       rate(-3 * quarter), Late: rate(-quarter),
	}
	want := -60 * tau * math.Log1p(-gap/rise)
	if p := project(tr, 1, gap); !p.reaches || math.Abs(p.minutes-want) > 1e-9 || p.latest < p.minutes || p.soonest > p.minutes {
		t.Errorf("reaches the limit in %+v, by the exponential in %.3f min", p, want)
	}
	if p := project(tr, 1, rise+1e-9); p.reaches {
		t.Errorf("reaches %g °C further by %+v, and levels off at %g", rise+1e-9, p, rise)
	}
}

func TestProjectionAtItsEdges(t *testing.T) {
	slope := func(low, perHour, high float64) trend.Slope {
		return trend.Slope{Known: true, PerHour: perHour, Low: low, High: high}
	}
	half := (trend.SlopeWindow / 2).Hours()
	for _, c := range []struct {
		name    string
		trend   trend.Trend
		sign    float64
		gap     float64
		reaches bool
		minutes float64
	}{
		{"straight on", trend.Trend{Temperature: slope(1, 2, 4), Early: 2, Late: 2}, 1, 1, true, 30},
		{"downwards", trend.Trend{Temperature: slope(-4, -2, -1), Early: -2, Late: -2}, -1, 1, true, 30},
		{"may be steady", trend.Trend{Temperature: slope(0, 2, 4), Early: 2, Late: 2}, 1, 1, false, 0},
		{"as slow as is believed", trend.Trend{Temperature: slope(0.5, approachLeast, 1.5), Early: 1, Late: 1}, 1, 1, true, 60},
		{"has stopped", trend.Trend{Temperature: slope(1, 2, 4), Early: 0, Late: 0}, 1, 1, false, 0},
		{"levels off at the limit", trend.Trend{Temperature: slope(1, 2, 4), Early: 4, Late: 1}, 1, math.Sqrt(0.25) * (half / math.Log(4)), false, 0},
	} {
		p := project(&c.trend, c.sign, c.gap)
		if p.reaches != c.reaches || p.reaches && p.minutes != c.minutes {
			t.Errorf("%s: %+v, want %v in %g min", c.name, p, c.reaches, c.minutes)
		}
		if p.reaches && (p.soonest > p.minutes || p.latest < p.minutes) {
			t.Errorf("%s: %g min is not within %g to %g", c.name, p.minutes, p.soonest, p.latest)
		}
	}
	if got := (projection{latest: 24 * 60}).latestText().String(); got != "1440" {
		t.Errorf("a day is written %q", got)
	}
	if got := (projection{latest: 24*60 + 1}).latestText().String(); got != "never" {
		t.Errorf("more than a day is written %q", got)
	}
}

// towards is the trend of a room that went from one temperature to another at a
// pace, and of which no usual range is known.
func towards(fromC, toC, perHour float64) *trend.Trend {
	return &trend.Trend{
		Samples:     []trend.Sample{{C: fromC}, {C: toC}},
		Temperature: trend.Slope{Known: true, PerHour: perHour, Low: perHour / 2, High: perHour * 2}, Early: perHour, Late: perHour,
	}
}

func TestApproachIsToldWithinItsHorizon(t *testing.T) {
	e := look(RoomState{})
	for _, c := range []struct {
		name    string
		from    float64
		perHour float64
		want    alerts.Truth
	}{
		{"in just the time", 29, 2, alerts.True},
		{"a little later", 29, 1.9, alerts.Between},
		{"in just twice the time", 29, 1, alerts.Between},
		{"the way behind is shorter than that ahead", 29.1, 2, alerts.False},
	} {
		o := &alerts.Observation{}
		e.sayApproach(o, &Limit{Value: 31}, &Point{Value: 30}, towards(c.from, 30, c.perHour), 1)
		if o.Truth != c.want {
			t.Errorf("%s: %v (%s), want %v", c.name, o.Truth, o.Detail.String(), c.want)
		}
		if o.Truth == alerts.True && (!strings.Contains(o.Detail.String(), "in about 30 min (15 to 60)") || !o.Due.Equal(e.in.Now.Add(30*time.Minute))) {
			t.Errorf("%s: says %q, due %v", c.name, o.Detail.String(), o.Due)
		}
	}
	o := &alerts.Observation{}
	if e.sayApproach(o, &Limit{Value: 30}, &Point{Value: 30}, towards(29, 30, 2), 1); o.Truth != alerts.Between {
		t.Errorf("at the limit: %v", o.Truth)
	}
}

// known is a day in which a room was between 24 and 26 °C.
func known() []trend.Hour {
	var list []trend.Hour
	for h := range 24 {
		list = append(list, trend.Hour{Start: ago(time.Duration(h+2) * time.Hour), LowC: 24, HighC: 26, LowW: 12, HighW: 13, MeanRH: 65, N: 60, HighD: 0.2})
	}
	return list
}

// At the end of where it goes every day a room is where it goes every day.
func TestApproachWithinTheUsualRange(t *testing.T) {
	e := look(RoomState{})
	for _, c := range []struct {
		value, sign float64
		want        bool
	}{{26, 1, false}, {26.01, 1, true}, {24, -1, false}, {23.99, -1, true}} {
		tr := towards(c.value-5*c.sign, c.value, 2*c.sign)
		tr.Hours = known()
		if got := e.unusual(tr, c.value, c.sign, 1); got != c.want {
			t.Errorf("%g °C on the way by %+g: unusual %v, want %v", c.value, c.sign, got, c.want)
		}
	}
}

// outside is the trend of a room that stands at one place after a known day.
func outside(s trend.Sample, perHourC float64, moisture trend.Slope) trend.Trend {
	s.Time = noon()
	return trend.Trend{
		Samples: []trend.Sample{s}, Hours: known(),
		Temperature: trend.Slope{Known: true, PerHour: perHourC, Low: perHourC - 0.1, High: perHourC + 0.1}, Moisture: moisture,
	}
}

// Each threshold that separates causes, from both sides.
func TestCausesAtTheirEdges(t *testing.T) {
	usual := trend.Range{LowC: 24, HighC: 26, LowW: 12, HighW: 13, HeldRH: 65, LowD: 0.2, HighOver: 5}
	drying := func(perHour, high float64) trend.Slope {
		return trend.Slope{Known: true, PerHour: perHour, Low: perHour - 0.01, High: high}
	}
	degrees := func(c float64) *float64 { return &c }
	steady := drying(0, 0.01)
	hot, dry, cold := trend.Sample{C: 28, W: 12.5, RH: 60}, trend.Sample{C: 25, W: 10, RH: 55}, trend.Sample{C: 20, W: 12.5, RH: 65}
	with := func(s trend.Sample, change func(*trend.Sample)) trend.Sample { change(&s); return s }
	for _, c := range []struct {
		name     string
		sample   trend.Sample
		perHourC float64
		moisture trend.Slope
		outdoorC *float64
		want     Cause
	}{
		{"hot", hot, 3, steady, nil, CauseHeater},
		{"hot, and sensors differ by what they may", with(hot, func(s *trend.Sample) { s.D = usual.LowD + disagreeC }), 3, steady, nil, CauseHeater},
		{"hot, and sensors differ by more", with(hot, func(s *trend.Sample) { s.D = usual.LowD + disagreeC + 0.01 }), 3, steady, nil, Unclear},
		{"hot, losing moisture as none", hot, 3, drying(-steadyMoisture+0.001, 0), nil, CauseHeater},
		{"hot, losing moisture", hot, 3, drying(-steadyMoisture, -0.051), nil, Unclear},
		{"hot, cool outdoors", hot, 3, steady, degrees(usual.HighC - outdoorsNear), CauseHeater},
		{"hot, warm outdoors", hot, 3, steady, degrees(usual.HighC - outdoorsNear + 0.1), Unclear},
		{"hot, warm outdoors, warmer by what it may be", with(hot, func(s *trend.Sample) { s.Over = usual.HighOver + overMargin }), 3, steady, degrees(25), Unclear},
		{"hot, warm outdoors, warmer by more", with(hot, func(s *trend.Sample) { s.Over = usual.HighOver + overMargin + 0.01 }), 3, steady, degrees(25), CauseHeater},
		{"dry, temperature as steady as it must be", dry, steadyPerHour, drying(-0.2, -0.1), nil, CauseHumidifier},
		{"dry, cooling as steadily", dry, -steadyPerHour, drying(-0.2, -0.1), nil, CauseHumidifier},
		{"dry, temperature less steady", dry, steadyPerHour + 0.01, drying(-0.2, -0.1), nil, Unclear},
		{"dry, perhaps not drying", dry, 0, drying(-0.2, -dryingPerHour), nil, Unclear},
		{"dry, surely drying", dry, 0, drying(-0.2, -dryingPerHour-0.001), nil, CauseHumidifier},
		{"cold", cold, -2, steady, nil, CauseWeak},
		{"cold and dry", trend.Sample{C: 20, W: 10, RH: 55}, -2, drying(-0.2, -0.1), nil, CausePower},
		{"no humidity", trend.Sample{C: 28}, 3, steady, nil, Unclear},
		{"moisture not known", hot, 3, trend.Slope{}, nil, Unclear},
		{"in its usual range", trend.Sample{C: 25, W: 12.5, RH: 65}, 0, drying(-0.2, -0.1), nil, Unclear},
	} {
		if got, why := recognise(outside(c.sample, c.perHourC, c.moisture), usual, c.outdoorC); got != c.want {
			t.Errorf("%s: %s (%s), want %s", c.name, got, why, c.want)
		}
	}
	for _, c := range []struct {
		perHour float64
		want    bool
	}{{-steadyMoisture / 2, false}, {-steadyMoisture/2 + 0.001, true}} {
		if got := powered(trend.Trend{Moisture: trend.Slope{Known: true, PerHour: c.perHour}}, usual, cold); got != c.want {
			t.Errorf("a cold room that loses %g of its moisture an hour: powered %v, want %v", c.perHour, got, c.want)
		}
	}
	_, why := recognise(outside(hot, 3, drying(-0.02, 0)), usual, nil)
	if want := "temperature +3.0 °C/h, moisture -2 %/h"; why.String() != want {
		t.Errorf("says %q, want %q", why, want)
	}
}

// What outside air does within minutes is said in degrees and percent.
func TestDoorIsSaidInPercent(t *testing.T) {
	now := noon()
	tr := outside(trend.Sample{C: 20, W: 6.25, RH: 43}, -2, trend.Slope{Known: true})
	var samples []trend.Sample
	for minute := range 12 {
		s := trend.Sample{Time: now.Add(time.Duration(minute-11) * time.Minute), C: 25, W: 12.5, RH: 65}
		if minute > 2 {
			s.C, s.W, s.RH = 20, 6.25, 43
		}
		samples = append(samples, s)
	}
	tr.Samples = samples
	cause, why := recognise(tr, trend.Range{LowC: 24, HighC: 26, LowW: 12, HighW: 13, HeldRH: 65}, nil)
	if want := "temperature -5.0 °C and moisture -69 % within minutes"; cause != CauseDoor || why.String() != want {
		t.Errorf("%s: %q, want %q", cause, why, want)
	}
}

// When the cause of a trouble is told, kept and looked at anew.
func TestTroubleInTime(t *testing.T) {
	now := noon()
	usual, _ := trend.Trend{Hours: known()}.Usual(now)
	steady := trend.Slope{Known: true, High: 0.01}
	hot := outside(trend.Sample{C: 28, W: 12.5, RH: 60}, 3, steady)
	weak := outside(trend.Sample{C: 20, W: 12.5, RH: 65}, -2, steady)
	for _, c := range []struct {
		name  string
		x     Trouble
		trend trend.Trend
		at    time.Time
		want  Cause
	}{
		{"has begun", Trouble{}, hot, now, Unclear},
		{"is forming", Trouble{Cause: Unclear, Since: ago(8*time.Minute - time.Second), Range: usual}, hot, now, Unclear},
		{"has formed", Trouble{Cause: Unclear, Since: ago(8 * time.Minute), Range: usual}, hot, now, CauseHeater},
		{"has lately been another", Trouble{Cause: CauseDoor, Since: ago(time.Hour), ToldAt: ago(10*time.Minute - time.Second), Range: usual}, hot, now, CauseHeater},
		{"has been another for long", Trouble{Cause: CauseDoor, Since: ago(time.Hour), ToldAt: ago(10 * time.Minute), Range: usual}, hot, now, CauseDoor},
		{"cools, and the last cycle is in sight", Trouble{Cause: Unclear, Since: ago(28*time.Minute - time.Second), Range: usual}, weak, now, Unclear},
		{"cools, and it is out of sight", Trouble{Cause: Unclear, Since: ago(28 * time.Minute), Range: usual}, weak, now, CauseWeak},
		{"air as old as it may be", Trouble{Cause: Unclear, Since: ago(time.Hour), Range: usual}, hot, now.Add(trend.SlopeWindow), CauseHeater},
		{"air too old", Trouble{Cause: Unclear, Since: ago(time.Hour), Range: usual}, hot, now.Add(trend.SlopeWindow + time.Second), Unclear},
		{"is over", Trouble{Cause: CauseHeater, Since: ago(time.Hour), Range: usual}, outside(trend.Sample{C: 26.1, W: 12.5, RH: 65}, 0, steady), now, ""},
		{"is nearly over", Trouble{Cause: CauseHeater, Since: ago(time.Hour), ToldAt: ago(time.Hour), Range: usual}, outside(trend.Sample{C: 26.11, W: 12.5, RH: 65}, 0, steady), now, CauseHeater},
	} {
		if got := c.x.follow(&c.trend, c.at, nil); got.Cause != c.want {
			t.Errorf("%s: %q (%s), want %q", c.name, got.Cause, got.Evidence, c.want)
		}
	}
	if got := (Trouble{Cause: Unclear, Since: ago(time.Hour), Range: usual}).follow(&weak, now, nil); !got.Powered {
		t.Error("a room that cools and keeps its moisture is not seen to have power")
	}
}

// Which cause accounts for which harm, and which harm it is called by.
func TestCausesAccountForHarm(t *testing.T) {
	harms := []alerts.Condition{Heat, HeatApproaching, Chill, ChillApproaching, Drying, FastChange, Damp}
	for _, c := range []struct {
		cause  Cause
		harms  string // one letter each
		called alerts.Condition
	}{
		{CauseHeater, "hH..df.", Heat}, {CauseWeak, "..cC.f.", Chill}, {CauseDoor, "..cCdf.", Chill},
		{CausePower, "..cCdf.", ""}, {CauseHumidifier, "....df.", Drying}, {Unclear, ".......", ""},
	} {
		e := look(RoomState{Room: "nursery"})
		for i, harm := range harms {
			want := c.harms[i] != '.'
			o := alerts.Observation{Key: alerts.Key{Condition: harm, Room: "nursery"}, Truth: alerts.Between}
			o = e.explain(o, &Trouble{Cause: c.cause, Evidence: wording.Say("as seen")})
			if got := explains(c.cause, harm); got != want || (o.Root != nil) != want || o.Detail.String() != "" {
				t.Errorf("%s accounts for %s: %v, root %v, %q; want %v", c.cause, harm, got, o.Root, o.Detail.String(), want)
			}
			if o.Root != nil && (o.Root.Condition != alerts.Condition(c.cause) || o.Root.Room != "nursery") {
				t.Errorf("%s has the root %v, want %s", harm, *o.Root, c.cause)
			}
		}
		switch root := e.harmOf(c.cause); {
		case (root != nil) != (c.called != ""):
			t.Errorf("%s is called by %v, want %q", c.cause, root, c.called)
		case root != nil && root.Condition != c.called:
			t.Errorf("%s is called by %s, want %s", c.cause, root.Condition, c.called)
		}
	}
}

func TestCauseInWords(t *testing.T) {
	e := look(RoomState{})
	for _, c := range []struct {
		cause  Cause
		truth  alerts.Truth
		detail string
		want   string
	}{
		{CauseHeater, alerts.True, "34 °C", "34 °C; heater stuck on or strong sun: as seen"},
		{CauseHeater, alerts.Between, "34 °C", "34 °C"},
		{CauseHeater, alerts.False, "", ""},
		{CauseHeater, alerts.Unknown, "", ""},
		{Unclear, alerts.True, "34 °C", "34 °C; cause cannot be told: as seen"},
		{Unclear, alerts.True, "", ""},
		{Unclear, alerts.Between, "34 °C", "34 °C"},
		{CauseHumidifier, alerts.True, "34 °C", "34 °C"},
		{"", alerts.True, "34 °C", "34 °C"},
	} {
		o := e.explain(alerts.Observation{Key: alerts.Key{Condition: Heat}, Truth: c.truth, Detail: wording.Report(c.detail)}, &Trouble{Cause: c.cause, Evidence: wording.Say("as seen")})
		if o.Detail.String() != c.want {
			t.Errorf("%q while heat is %v: %q, want %q", c.cause, c.truth, o.Detail.String(), c.want)
		}
	}
}

// A cause is false once it is known what is usual, or that it is another one.
func TestCausesThatAreNot(t *testing.T) {
	e := look(RoomState{Limits: Limits{Heat: &Limit{Value: 31}}, Location: time.UTC})
	for _, c := range []struct {
		name  string
		cause Cause
		trend trend.Trend
		want  alerts.Truth
	}{
		{"nothing is known", "", trend.Trend{Samples: []trend.Sample{{C: 25}}}, alerts.Unknown},
		{"what is usual is known", "", trend.Trend{Samples: []trend.Sample{{C: 25}}, Hours: known()}, alerts.False},
		{"another one is told", CauseDoor, trend.Trend{Samples: []trend.Sample{{C: 25}}}, alerts.False},
		{"no air is known", CauseDoor, trend.Trend{Hours: known()}, alerts.Unknown},
	} {
		for _, o := range e.causes(nil, &RoomMemory{Trouble: Trouble{Cause: c.cause}}, &c.trend) {
			want := c.want
			if want == alerts.False && o.Key.Condition == alerts.Condition(c.cause) {
				want = alerts.True
			}
			if o.Truth != want {
				t.Errorf("%s: %s is %v, want %v", c.name, o.Key.Condition, o.Truth, want)
			}
		}
	}
}

// Spores that have begun to germinate dry out within a day.
func TestMouldDriesOut(t *testing.T) {
	c := 25.0
	e := look(RoomState{TemperatureC: &c, Dampest: &Point{Sensor: "a", Value: 60}, Limits: Limits{MouldRisk: &Limit{Value: 50}}, Sensors: []SensorState{{ID: "a", Humidity: Measured{60, true}}}})
	m := &RoomMemory{Mould: Mould{At: noon(), Share: 0.5, PerHour: 0.05, Known: true}}
	if o := e.mould(m); o.Truth != alerts.False || m.Rests(MouldRisk) {
		t.Errorf("air in which nothing grows: %v, on %v", o.Truth, m.Witnesses)
	}
	e.in.Now = noon().Add(6 * time.Hour)
	if o := e.mould(m); o.Value != 25 {
		t.Errorf("after six hours %g %% are left of 50, want 25", o.Value)
	}
	e.in.Now = noon().Add(13 * time.Hour)
	if o := e.mould(m); o.Value != 0 {
		t.Errorf("after thirteen hours %g %% are left of 50", o.Value)
	}
}

func TestWhatCondensationSays(t *testing.T) {
	c, percent, cold := 25.0, 80.0, 0.0
	e := look(RoomState{TemperatureC: &c, HumidityPercent: &percent, Surface: &Surface{TemperatureC: &cold}})
	for surface, want := range map[float64]alerts.Truth{15: alerts.True, 30: alerts.False} {
		cold = surface
		o := &alerts.Observation{}
		if e.sayCondensation(o); o.Truth != want || (o.Detail.String() == "") != (want == alerts.False) {
			t.Errorf("a surface of %g °C: %v, %q, want %v", surface, o.Truth, o.Detail.String(), want)
		}
	}
}

func TestWhatIsSaidOfFaults(t *testing.T) {
	e := look(RoomState{Warmest: &Point{Sensor: "a", Value: 30}, Coldest: &Point{Sensor: "b", Value: 25}})
	for _, c := range []struct {
		s      SensorState
		silent alerts.Truth
		want   alerts.Truth
		detail string
	}{
		{SensorState{ID: "a", Fault: "humidity sticks"}, alerts.False, alerts.True, "a: its humidity sticks"},
		{SensorState{ID: "a", Fault: "humidity sticks", LastValue: Measured{Value: 27, Known: true}}, alerts.False, alerts.True, "a: its humidity sticks, now 27.0 °C"},
		{SensorState{ID: "a", Fault: "humidity sticks"}, alerts.True, alerts.Unknown, ""},
		{SensorState{ID: "a", FaultUnknown: true}, alerts.False, alerts.Unknown, ""},
		{SensorState{ID: "a"}, alerts.False, alerts.False, ""},
	} {
		if o := e.fault(&c.s, c.silent); o.Truth != c.want || o.Detail.String() != c.detail {
			t.Errorf("%+v: %v, %q, want %v, %q", c.s, o.Truth, o.Detail.String(), c.want, c.detail)
		}
	}
	for spread, want := range map[float64]string{5: "a says 30.0 °C and b 25.0 °C; they used to agree within 0.2 °C", 0.5: ""} {
		o := &alerts.Observation{}
		if e.sayDisagreement(o, &trend.Trend{Samples: []trend.Sample{{C: 27, D: spread}}}, trend.Range{LowD: 0.2}); o.Detail.String() != want {
			t.Errorf("sensors that differ by %g °C: %q, want %q", spread, o.Detail.String(), want)
		}
	}
	o := &alerts.Observation{}
	for _, in := range []RoomState{{Warmest: e.in.Warmest}, {Coldest: e.in.Coldest}} {
		if look(in).sayDisagreement(o, &trend.Trend{Samples: []trend.Sample{{C: 27, D: 5}}}, trend.Range{LowD: 0.2}); o.Truth != alerts.True || o.Detail.String() != "" {
			t.Errorf("without one of the two it is %v, %q", o.Truth, o.Detail.String())
		}
	}
}
