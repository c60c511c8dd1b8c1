package course_test

import (
	"testing"
	"time"

	"rearguard/daemon/course"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
)

// A clock that is set back by a day and forward again an hour later leaves a
// cohort where it was entered, also over a restart in between, and where it was
// ahead by ten minutes before or was put right at the restart.
func TestStepBackThatIsUndone(t *testing.T) {
	for name, forward := range map[string]func(c *course.Course, from, to time.Time) bool{
		"while running": func(c *course.Course, from, to time.Time) bool { return c.Step(from, to, to, time.Time{}) },
		"nearly": func(c *course.Course, from, to time.Time) bool {
			return c.Step(from, to.Add(-10*time.Minute), to, time.Time{})
		},
		"at a restart": func(c *course.Course, from, to time.Time) bool { return c.Resume(from, to.Add(-10*time.Minute)) },
	} {
		t.Run(name, func(t *testing.T) { stepBackAndForward(t, forward) })
	}
}

func stepBackAndForward(t *testing.T, forward func(c *course.Course, from, to time.Time) bool) {
	start := time.Date(2026, 5, 1, 20, 0, 0, 0, time.UTC)
	entered := population.Cohort{
		ID: "monarch-1", Species: "danaus-plexippus", Start: start, StartStage: "egg", Individuals: 100,
		Placements: []population.Placement{{Room: "nursery", From: start}},
	}
	sp := speciestest.Named(t, "danaus-plexippus")
	c, err := course.New(entered, sp)
	if err != nil {
		t.Fatal(err)
	}
	back, day := start.Add(3*time.Hour), 26*time.Hour
	c.Step(back, back.Add(-day), back.Add(-day), time.Time{})
	if !c.Cohort.Start.Equal(back.Add(-day)) {
		t.Fatalf("starts at %v, in the future", c.Cohort.Start)
	}
	st, err := c.State()
	if err != nil {
		t.Fatal(err)
	}
	if c, _, err = course.Restore(st, sp); err != nil {
		t.Fatal(err)
	}
	right := back.Add(time.Hour)
	if c.Resume(right.Add(-day-time.Hour), right.Add(-day)) || c.Step(right.Add(-day-time.Minute), right.Add(-day), right.Add(-day), time.Time{}) {
		t.Error("an hour of rest and a minute of putting right are taken for the step back undone")
	}
	if !forward(c, right.Add(-day), right) {
		t.Error("nothing was changed")
	}
	if !c.Cohort.Start.Equal(start) || !c.Cohort.Placements[0].From.Equal(start) {
		t.Errorf("starts at %v in %+v, want %v", c.Cohort.Start, c.Cohort.Placements, start)
	}
}
