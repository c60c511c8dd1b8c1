package fold

import (
	"math"
	"testing"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
)

// step moves the time by the word of two sensors.
func (b *scene) step(from, to time.Time) {
	b.t.Helper()
	if err := b.gather(b.fold.Step(b.t.Context(), timekeeping.Step{From: from, To: to, Why: "two sensors agree"})); err != nil {
		b.t.Fatal(err)
	}
	b.now = b.fold.Clock()
}

// grow rears eggs at 25 °C for some minutes, and tells how far they are by the
// time of day every ten minutes.
func (b *scene) grow(minutes int) map[time.Time]float64 {
	b.t.Helper()
	grown := make(map[time.Time]float64)
	for range minutes / 10 {
		b.air(10, 25, 70)
		grown[b.now] = b.Snapshot().Cohorts[0].ThermalTime
	}
	return grown
}

// However the time is moved, people are told at once, and from then on a
// cohort is as far as if the time had always been that.
func TestTimeThatIsMoved(t *testing.T) {
	calm := newScene(t, foldtest.Facility)
	calm.cohort("egg")
	want := calm.grow(6 * 60)
	for name, c := range map[string]struct {
		by          time.Duration
		said        string
		goneThrough bool
		off         float64
	}{
		"back":    {-time.Hour, "moved back by 60 min to 10:00: two sensors agree", true, 1e-6},
		"forward": {time.Hour, "moved forward by 60 min to 12:00: two sensors agree", false, 1e-3},
	} {
		t.Run(name, func(t *testing.T) {
			b := newScene(t, foldtest.Facility)
			b.cohort("egg")
			b.grow(3 * 60)
			to := b.now.Add(c.by)
			b.step(b.now, to)
			s := b.Snapshot()
			if !s.Time.Equal(to) || s.Clock.Steps != 1 {
				t.Errorf("it is %v after %d steps, want %v after one", s.Time, s.Clock.Steps, to)
			}
			var told *snapshot.Alarm
			for i, a := range s.Alarms {
				if a.Key.Condition == conditions.ClockMoved {
					told = &s.Alarms[i]
				}
			}
			if told == nil || told.Detail != c.said {
				t.Errorf("told is %+v, want %q", told, c.said)
			}
			if behind := s.Cohorts[0].CatchingUp; behind != c.goneThrough {
				t.Errorf("the cohort goes through its air again: %v, want %v", behind, c.goneThrough)
			}
			for at, grown := range b.grow(2 * 60) {
				if math.Abs(grown-want[at]) > c.off {
					t.Errorf("at %v the cohort is at %.7f, want %.7f", at, grown, want[at])
				}
			}
			if b.Snapshot().Cohorts[0].CatchingUp {
				t.Error("the cohort still goes through its air again")
			}
		})
	}
}

// A step forward to a time that has passed meanwhile is none.
func TestStepThatComesTooLate(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.air(10, 25, 70)
	now := b.fold.Clock()
	b.step(now.Add(-2*time.Hour), now.Add(-time.Hour))
	b.step(now.Add(-time.Hour), now)
	if s := b.Snapshot(); s.Clock.Steps != 0 || !s.Time.Equal(now) {
		t.Errorf("it is %v after %d steps, want %v after none", s.Time, s.Clock.Steps, now)
	}
}
