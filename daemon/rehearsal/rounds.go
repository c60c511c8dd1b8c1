package rehearsal

import (
	"fmt"
	"math"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// Round is what the invented keeper enters at a time of the story.
type Round struct {
	// At is the time since the story began.
	At    time.Duration
	Count population.Count
	// Undo takes the cohort's newest count back instead.
	Undo bool
	Tell string
}

const keeper = "Mara"

// Rounds are the counts of the invented day.
func Rounds() []Round {
	count := func(at time.Duration, tell string, c population.Count) Round {
		c.By = keeper
		return Round{At: at, Count: c, Tell: tell}
	}
	return []Round{
		count(40*time.Minute, "the first monarch eggs have hatched, 24 of 140.",
			population.Count{Cohort: "monarch-7", Stage: species.FirstInstar, Seen: 24, Of: 140, OrBeyond: true}),
		count(75*time.Minute, "86 of 88 monarchs are in their last instar, two hung up in their old skin.",
			population.Count{Cohort: "monarch-5", Stage: "larva-5", Seen: 86, Of: 88, Lost: 2, Cause: "stuck skin"}),
		count(2*time.Hour, "72 postman larvae in the second instar? That does not fit.",
			population.Count{Cohort: "postman-12", Stage: "larva-2", Seen: 72, Of: 84, Note: "table 4"}),
		{At: 150 * time.Minute, Count: population.Count{Cohort: "postman-12", By: keeper}, Undo: true, Tell: "that count was of the neighbouring table; taken back."},
		count(4*time.Hour, "58 of 69 mormons have pupated, one fell.",
			population.Count{Cohort: "mormon-4", Stage: species.Pupa, Seen: 58, Of: 69, OrBeyond: true, Lost: 1, Cause: "fallen"}),
		count(8*time.Hour, "half of the monarch eggs have hatched, 71 of 138.",
			population.Count{Cohort: "monarch-7", Stage: species.FirstInstar, Seen: 71, Of: 138, OrBeyond: true, Lost: 2, Cause: "dried out"}),
		count(10*time.Hour, "all 74 monarch pupae hang well, one was parasitised.",
			population.Count{Cohort: "monarch-4", Stage: species.Pupa, Seen: 74, Of: 74, Lost: 1, Cause: "parasitoid"}),
	}
}

// Finished is an invented cohort that was done before the story began.
type Finished struct {
	Cohort population.Cohort
	Counts []population.Count
	Ended  time.Time
}

// FinishedCohorts are egg batches that hatched in the days before the story,
// each counted once before and once after the half: what the facility can
// learn from. Its eggs are a little slower than the species' entry says.
func FinishedCohorts(begin time.Time) []Finished {
	batch := func(n int, room sensors.RoomID, daysAgo, hatchedAfter float64) Finished {
		start := begin.Add(-hours(24 * daysAgo)).Truncate(time.Minute)
		half := start.Add(hours(24 * hatchedAfter))
		id := population.CohortID(fmt.Sprintf("monarch-eggs-%d", n))
		count := func(at time.Time, seen int) population.Count {
			return population.Count{Cohort: id, Time: at.Truncate(time.Minute), Stage: species.FirstInstar, Seen: seen, Of: 60, OrBeyond: true, By: keeper}
		}
		return Finished{
			Cohort: population.Cohort{
				ID: id, Species: "danaus-plexippus", Start: start, StartStage: species.Egg, Individuals: 60, Note: "invented",
				Placements: []population.Placement{{Room: room, From: start}},
			},
			Counts: []population.Count{count(half.Add(-5*time.Hour), 13), count(half.Add(5*time.Hour), 48)},
			Ended:  half.Add(8 * time.Hour),
		}
	}
	return []Finished{
		batch(1, "nursery", 9.4, 3.05), batch(2, "flight-hall", 9.1, 3.25), batch(3, "emergence", 8.2, 2.9),
		batch(4, "larva-hall", 6.7, 3.3), batch(5, "flight-hall", 5.2, 3.1),
	}
}

func hours(h float64) time.Duration { return time.Duration(math.Round(h * float64(time.Hour))) }
