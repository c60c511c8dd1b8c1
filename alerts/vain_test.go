package alerts_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
)

// hot is heat with half a degree of deadband and an hour to respond.
func hot(t *testing.T) (*alerts.Machine, func(minute int, truth alerts.Truth, value float64), func(verb alerts.Verb, minute int), *[]string) {
	m := newMachine(t, []alerts.Definition{definition("heat", func(d *alerts.Definition) { d.Deadband, d.ReAlarm = 0.5, 150*time.Minute })})
	key := alerts.Key{Condition: "heat", Room: "a"}
	var told []string
	take := func(out []alerts.Transition) {
		for _, tr := range out {
			if tr.Annunciate {
				told = append(told, fmt.Sprintf("%s after %d min", tr.Event, int(tr.Time.Sub(start).Minutes())))
			}
		}
	}
	find := func(minute int, truth alerts.Truth, value float64) {
		take(m.Observe(alerts.Observation{Key: key, Time: start.Add(time.Duration(minute) * time.Minute), Truth: truth, Value: value, Limit: 30, Unit: "°C"}))
	}
	tell := func(verb alerts.Verb, minute int) {
		out, err := order(m, alerts.Order{Verb: verb, Key: key, Who: "ann", For: 2 * time.Hour, Reason: "r"}, start.Add(time.Duration(minute)*time.Minute))
		if err != nil {
			t.Error(err)
		}
		take(out)
	}
	return m, find, tell, &told
}

// An acknowledgement that has not made it better in the time to respond calls
// again, once, and never beside the call that comes hours after one.
func TestAnswerInVain(t *testing.T) {
	for _, c := range []struct {
		name string
		// found are values every ten minutes from the acknowledgement on; 0 is
		// unknown, one below the limit not safe yet.
		found []float64
		going bool
		want  []string
	}{
		{"no better", []float64{34, 34, 34, 34, 34, 33.6}, false, []string{"in-vain after 60 min"}},
		{"worse, and somebody on the way", []float64{34, 34, 35, 36, 36, 36, 36}, true, []string{"in-vain after 60 min"}},
		{"better by the deadband", []float64{34, 34, 34, 34, 33.7, 33.5, 33.5, 33, 33, 33, 33, 33, 33, 33, 33, 33}, false, []string{"re-alarm after 150 min"}},
		{"better, and worse again", []float64{34, 34, 34, 34, 34, 33, 33, 34, 34, 34, 34, 34}, false, []string{"in-vain after 120 min"}},
		{"within the limit for a while", []float64{34, 34, 34, 34, 34, 29.7, 34, 34, 34}, false, nil},
		{"not known for a while", []float64{34, 34, 34, 34, 34, 0, 0, 0, 34}, false, []string{"in-vain after 80 min"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, find, tell, told := hot(t)
			find(0, alerts.True, 34)
			*told = nil
			tell(map[bool]alerts.Verb{true: alerts.Going, false: alerts.Acknowledge}[c.going], 0)
			for i, v := range c.found {
				truth := alerts.True
				switch {
				case v == 0:
					truth = alerts.Unknown
				case v < 30:
					truth = alerts.Between
				}
				if i > 0 {
					find(10*i, truth, v)
				}
			}
			find(10*len(c.found), alerts.True, 34)
			if !slices.Equal(*told, c.want) {
				t.Errorf("told %q, want %q", *told, c.want)
			}
		})
	}
}

// What has no value is in vain while it is on, and somebody who shelves it is
// left alone.
func TestAnswerInVainWithoutValue(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("blind", func(d *alerts.Definition) { d.Unit = "" })})
	key := alerts.Key{Condition: "blind", Room: "a"}
	m.Observe(alerts.Observation{Key: key, Time: start, Truth: alerts.True})
	if _, err := order(m, alerts.Order{Verb: alerts.Acknowledge, Key: key, Who: "ann"}, start); err != nil {
		t.Fatal(err)
	}
	out := m.Advance(start.Add(61 * time.Minute))
	if len(out) != 1 || out[0].Event != alerts.EventInVain || out[0].To != alerts.Unacknowledged || !strings.Contains(out[0].Reason, "no better 1h0m0s") {
		t.Errorf("after an hour: %+v", out)
	}
	if _, err := order(m, alerts.Order{Verb: alerts.Shelve, Key: key, Who: "ann", For: 3 * time.Hour, Reason: "r"}, start.Add(62*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if out := m.Advance(start.Add(200 * time.Minute)); len(out) != 0 {
		t.Errorf("while it is shelved: %+v", out)
	}
}

// The wait goes with a clock that is moved, and over a time in which nobody
// watched it ends with the first that is found.
func TestAnswerInVainOverResume(t *testing.T) {
	for name, c := range map[string]struct {
		by     time.Duration
		passed bool
		// want is how long after the acknowledgement by the new clock it calls.
		want time.Duration
	}{
		"clock set forward": {3 * time.Hour, false, 4 * time.Hour},
		"clock set back":    {-3 * time.Hour, false, -2 * time.Hour},
		"down":              {90 * time.Minute, true, 125 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			m, find, tell, _ := hot(t)
			find(0, alerts.True, 34)
			tell(alerts.Acknowledge, 0)
			from := start.Add(30 * time.Minute)
			var out []alerts.Transition
			out = append(out, m.Resume(from, from.Add(c.by), c.passed)...)
			if c.passed {
				out = append(out, m.Observe(alerts.Observation{Key: alerts.Key{Condition: "heat", Room: "a"}, Time: from.Add(c.by + 5*time.Minute), Truth: alerts.True, Value: 34, Limit: 30, Unit: "°C"})...)
			}
			out = append(out, m.Advance(from.Add(c.by+40*time.Minute))...)
			if len(out) != 1 || out[0].Event != alerts.EventInVain || out[0].Time.Sub(start) != c.want {
				t.Errorf("%v, want in-vain after %v", out, c.want)
			}
		})
	}
}
