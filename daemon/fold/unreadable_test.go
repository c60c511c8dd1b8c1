package fold

import (
	"math"
	"slices"
	"testing"
	"time"

	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/sensors"
)

// outage says between which minutes the past cannot be read, end excluded.
type outage struct{ from, to int }

func (o outage) at(m int) bool { return m >= o.from && m < o.to }

// backlog lives ten hours in which a gateway keeps a sensor's readings back
// and delivers them hours later, newest first, and some of them twice. Look is
// called after every minute.
func backlog(t *testing.T, cut outage, look func(m int, l *lived)) *lived {
	t.Helper()
	l := newLived(t, testOptions(t, foldtest.Facility))
	l.do(monarchs("m", "egg", 50, testStart))
	var kept []sensors.Message
	for m := range 600 {
		at := minute(m)
		l.past.fails = nil
		if cut.at(m) {
			l.past.fails = always
		}
		celsius := 22 + 4*math.Sin(float64(m)/90)
		held := nursery("a", at, math.Round(100*celsius)/100, 70)
		if m >= 200 && m < 260 {
			kept = append(kept, held)
		} else {
			l.messages(held)
		}
		if m < 200 || m >= 260 {
			l.messages(nursery("b", at, math.Round(100*celsius)/100, 70))
		}
		if m == 310 {
			for i, message := range slices.Backward(kept) {
				// So late that the air is not gone through again this minute.
				message.Received = at.Add(25 * time.Second)
				l.messages(message)
				if i%7 == 0 {
					l.messages(message)
				}
			}
		}
		l.tick(at.Add(30 * time.Second))
		look(m, l)
	}
	return l
}

// While the past cannot be read it cannot be told whether a late reading is
// known already: it is held back. Once the past can be read again it is taken
// in, the air of that time is gone through again, and the cohort has the
// thermal time it would have had.
func TestLateReadingsWaitForThePast(t *testing.T) {
	calm := backlog(t, outage{}, func(m int, l *lived) {
		if problem, held := l.PutOff(); problem != "" || held != 0 {
			t.Fatalf("minute %d: %d held back for %q while the past can be read", m, held, problem)
		}
	})
	want := calm.Snapshot().Cohorts[0]
	if want.ThermalTime == 0 || want.Estimated != 0 || want.CatchingUp {
		t.Fatalf("undisturbed: %+v", want.Development)
	}
	for name, cut := range map[string]outage{
		"around the delivery": {300, 330}, "at the delivery alone": {310, 311}, "from the delivery on": {310, 420}, "right after the delivery": {311, 350},
	} {
		t.Run(name, func(t *testing.T) {
			waited := 0
			disturbed := backlog(t, cut, func(m int, l *lived) {
				problem, held := l.PutOff()
				waited = max(waited, held)
				behind := l.Snapshot().Cohorts[0].CatchingUp
				switch {
				case !cut.at(m) && held > 0:
					t.Fatalf("minute %d: %d readings are held back while the past can be read", m, held)
				case cut.at(m) && m >= 311 && !(behind || held > 0):
					t.Fatalf("minute %d: the past cannot be read, and nothing waits for it", m)
				case m > cut.to && (problem != "" || behind):
					t.Fatalf("minute %d: still waiting: problem %q, catching up %v", m, problem, behind)
				case cut.at(m) && m >= 312 && problem == "":
					t.Fatalf("minute %d: nobody is told that the past cannot be read", m)
				}
			})
			if cut.at(310) && waited < 120 {
				t.Errorf("at most %d readings were held back, want 60 of two quantities and those sent twice", waited)
			}
			got := disturbed.Snapshot().Cohorts[0]
			if d := got.ThermalTime - want.ThermalTime; math.Abs(d) > 1e-9 || got.Estimated != 0 || got.Stage != want.Stage {
				t.Errorf("thermal time %.12f (%.3f estimated), want %.12f", got.ThermalTime, got.Estimated, want.ThermalTime)
			}
			taken := func(l *lived) int {
				n := 0
				ids := []sensors.SensorID{"nursery-a", "nursery-b", "hall-a"}
				if err := l.kept.Temperatures(t.Context(), ids, time.Time{}, past.FarFuture(), func(sensors.Reading) bool { n++; return true }); err != nil {
					t.Error(err)
				}
				return n
			}
			if n, m := taken(disturbed), taken(calm); n != m {
				t.Errorf("%d temperatures are taken, undisturbed %d", n, m)
			}
		})
	}
}
