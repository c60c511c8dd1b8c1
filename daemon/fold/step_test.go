package fold

import (
	"math"
	"testing"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// step moves the time by the word of two sensors.
func (b *scene) step(from, to time.Time) {
	b.t.Helper()
	if err := b.gather(b.fold.Step(b.t.Context(), timekeeping.Step{From: from, To: to, Why: "two sensors agree"})); err != nil {
		b.t.Fatal(err)
	}
	b.now = b.fold.Clock()
}

// However the time is moved, people are told at once where that is far. From then on a cohort is
// as far as if the time had always been that, and what was stored as of a time
// that is still to come counts no more.
func TestTimeThatIsMoved(t *testing.T) {
	for name, c := range map[string]struct {
		by    time.Duration
		said  string
		ahead int
	}{
		"back":          {-time.Hour, "moved back by 60 min to 10:00: two sensors agree", 60},
		"a little back": {-8 * time.Minute, "", 8},
		"forward":       {time.Hour, "moved forward by 60 min to 12:00: two sensors agree", 0},
	} {
		t.Run(name, func(t *testing.T) {
			b, calm := newScene(t, foldtest.Facility), newScene(t, foldtest.Facility)
			b.cohort("egg")
			calm.cohort("egg")
			b.air(180, 25, 70)
			to := b.now.Add(c.by)
			calm.air(180-c.ahead, 25, 70)
			calm.wait(to.Sub(calm.now))
			b.step(b.now, to)
			s := b.Snapshot()
			if !s.Time.Equal(to) || s.Clock.Steps != 1 {
				t.Errorf("it is %v after %d steps, want %v after one", s.Time, s.Clock.Steps, to)
			}
			said := ""
			for _, a := range s.Alarms {
				if a.Key.Condition == conditions.ClockMoved {
					said = a.Detail
				}
			}
			if said != c.said {
				t.Errorf("said is %q, want %q", said, c.said)
			}
			for range 12 {
				b.house(10, 20*time.Second, 30, 30, 70)
				calm.house(10, 20*time.Second, 30, 30, 70)
				got, want := b.Snapshot().Cohorts[0], calm.Snapshot().Cohorts[0]
				// The first readings after a step are not judged by those before it.
				if math.Abs(got.ThermalTime-want.ThermalTime) > 0.01 || got.CatchingUp {
					t.Errorf("at %v the cohort is at %.6f (catching up: %v), want %.6f", b.now, got.ThermalTime, got.CatchingUp, want.ThermalTime)
				}
			}
			for _, f := range b.flags {
				if f.Flag != sensors.Fail || !f.Time.After(to) {
					t.Errorf("flagged is %+v", f)
				}
			}
			if n := len(b.flags); n != 2*c.ahead {
				t.Errorf("%d readings are flagged that lie ahead, want %d temperatures of two sensors", n, 2*c.ahead)
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
