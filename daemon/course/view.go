package course

import (
	"slices"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
)

// countsShown bounds the counts of a cohort on its page.
const countsShown = 100

// View is the cohort as people see it at a time, but for what is expected of it
// and what heat has done to it. It wants a course that GoLive has brought up to
// the newest readings.
func (c *Course) View(at time.Time, tracks Tracks) snapshot.Cohort {
	live, sp := c.live, c.Species
	room, _ := c.Cohort.RoomAt(at)
	v := snapshot.Cohort{
		Identity: snapshot.Identity{
			ID: c.Cohort.ID, Species: sp.ID, SpeciesName: sp.CommonName, Room: room,
			Start: c.Cohort.Start, Note: c.Cohort.Note, Assumed: sp.Assumed(), Source: sp.Source(),
		},
		Development: c.development(tracks),
		Counted: snapshot.Counted{
			Verdicts: live.Verdicts(), Losses: population.SumLosses(live.Losses()), Outcomes: c.Outcomes(),
		},
	}
	for _, count := range slices.Backward(c.Counts) {
		if len(v.Counts) == countsShown {
			break
		}
		v.Counts = append(v.Counts, count)
	}
	return v
}

func (c *Course) development(tracks Tracks) snapshot.Development {
	typical := c.live.Typical()
	stage, progress := c.MainStage()
	v := snapshot.Development{
		Stage: stage, StageName: c.Species.StageName(stage), StageProgress: progress,
		ThermalTime: typical.DegreeDays, Estimated: typical.Estimated, Individuals: c.live.Alive(),
		CatchingUp: c.Behind(tracks), Progress: c.live,
	}
	v.Rate, v.RateSD = c.live.RateFactor()
	v.Entered, v.Stages = snapshot.StagesOf(c.live, c.Species)
	return v
}
