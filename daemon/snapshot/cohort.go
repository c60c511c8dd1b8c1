package snapshot

import (
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// Cohort is one cohort as pages and metrics show it.
type Cohort struct {
	Identity
	Development
	Counted
	Outlook
}

// Identity says which cohort it is and where it stands.
type Identity struct {
	ID          population.CohortID
	Species     species.ID
	SpeciesName string
	Room        sensors.RoomID
	Start       time.Time
	Note        string
	// Assumed is set when the species' constants are assumptions to verify
	// on site and not published values; Source says which.
	Assumed bool
	Source  string
}

// Development is how far a cohort has come.
type Development struct {
	Stage     species.StageID
	StageName string
	// StageProgress is the share of the present stage passed, 0 to 1.
	StageProgress float64
	// ThermalTime is the degree-days (above each stage's own threshold)
	// gathered since the cohort's start; Estimated is the part of it gathered
	// over bridged gaps in the air.
	ThermalTime, Estimated float64
	// Individuals is the number alive as far as counts tell.
	Individuals int
	// Stages is the distribution of the living over stages, in stage order.
	Stages []StageShare
	// Entered are the stages passed so far with the time at which half of
	// the cohort had entered them, oldest first.
	Entered []StageEntry
	// Rate is how fast the cohort is against its species, 1 being as the
	// constants say, with the standard deviation of what is believed.
	Rate, RateSD float64
	// HeatInjury is the share of the lethal heat dose gathered so far, 0 to
	// 1 and above; nil when the species has no thermal-death-time line.
	HeatInjury *float64
	// CatchingUp is set while readings that arrived late, or a change of the
	// cohort's past, are still to be taken in.
	CatchingUp bool
	// Progress is the cohort's population as it stands, to plan with. It is
	// shared and must not be changed.
	Progress *population.Progress
}

// Counted is what people entered about a cohort.
type Counted struct {
	// Counts are the latest counts, newest first, undone ones included.
	Counts []population.Count
	// Verdicts say how each count agreed with what was known before it.
	Verdicts []population.Verdict
	// Losses are the animals found dead or missing, by stage and cause.
	Losses []population.LossSum
	// Outcomes are shares of the animals started with, each known once counts
	// tell it.
	Outcomes []OutcomeShare
}

// Outlook is what is expected of a cohort.
type Outlook struct {
	// Expected are the next events, soonest first.
	Expected []ExpectedEvent
	// Daily are the animals expected to pass each event today (from now on)
	// and on each of the seven days after it.
	Daily []forecast.DayNumbers
	// Week are the animals expected to pass each event within seven days,
	// today included.
	Week []forecast.DayNumbers
}

// StageEntry is one stage a cohort has entered.
type StageEntry struct {
	Stage species.StageID
	Name  string
	At    time.Time
}

// Outcome is what became of animals.
type Outcome string

// The outcomes that counts tell.
const (
	Pupated Outcome = "pupated"
	Emerged Outcome = "emerged"
	Lost    Outcome = "lost"
)

// OutcomeShare is the share (0 to 1) of a cohort's animals with one outcome.
type OutcomeShare struct {
	Outcome Outcome
	Share   float64
}

// StageShare is the share of a cohort's living animals in one stage.
type StageShare struct {
	Stage species.StageID
	Name  string
	Share float64
}

// ExpectedEvent is a forecast of one event of a cohort.
type ExpectedEvent struct {
	// Event is what happens to the animals.
	Event species.EventName
	// Stage is the stage the animals enter with the event.
	Stage species.StageID
	// Median is when half of the cohort is expected to have passed it; Early
	// and Late bound the central 80 %.
	Early, Median, Late time.Time
}

// mostPassed is the share of a cohort after which an event is behind it: only
// stragglers are left, and nothing to get ready for.
const mostPassed = 0.9

// Ahead are the next events of a forecast that are not behind a cohort.
func Ahead(f *forecast.Forecast) []ExpectedEvent {
	var out []ExpectedEvent
	for _, e := range f.Next() {
		if e.Passed < mostPassed {
			out = append(out, ExpectedEvent{Event: e.Name, Stage: e.Stage, Early: e.Early, Median: e.Median, Late: e.Late})
		}
	}
	return out
}

// StagesOf tells when a cohort entered its stages, and which share of it is in
// which now.
func StagesOf(live *population.Progress, sp *species.Species) (entered []StageEntry, now []StageShare) {
	for _, e := range live.Entries() {
		entered = append(entered, StageEntry{Stage: e.Stage, Name: sp.StageName(e.Stage), At: e.Time})
	}
	for _, share := range live.Shares() {
		if share.Share > 0 {
			now = append(now, StageShare{Stage: share.Stage, Name: share.Name, Share: share.Share})
		}
	}
	return entered, now
}
