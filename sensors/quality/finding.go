package quality

import (
	"fmt"
	"time"

	"rearguard/sensors"
)

// Check names one test of a reading, a sensor or a pair of sensors. The values
// are labels in records and pages.
type Check string

// The tests.
const (
	CheckValue         Check = "value"           // not a number
	CheckOrder         Check = "order"           // older than a reading already seen
	CheckGap           Check = "timing_gap"      // nothing to compare with
	CheckGrossRange    Check = "gross_range"     // outside sensor or user span
	CheckClimatology   Check = "climatology"     // outside what the room is expected to be
	CheckRateOfChange  Check = "rate_of_change"  // step larger than air can make
	CheckSpike         Check = "spike"           // single reading off both neighbours
	CheckFlatLine      Check = "flat_line"       // unchanging for too long
	CheckCondensing    Check = "condensing"      // humidity stuck at saturation
	CheckNoise         Check = "noise"           // noisier than its own habit
	CheckAttenuated    Check = "attenuated"      // varies too little
	CheckUnitFahr      Check = "unit_fahrenheit" // looks like degrees Fahrenheit
	CheckUnitKelvin    Check = "unit_kelvin"     // looks like kelvin
	CheckUnitRatio     Check = "unit_ratio"      // looks like a ratio instead of percent
	CheckNeighbour     Check = "neighbour"       // far from the other sensors of the room
	CheckDrift         Check = "drift"           // departing slowly from the others
	CheckSwap          Check = "swap"            // two sensors look exchanged
	CheckSilent        Check = "silent"          // late against its own habit
	CheckClockSkew     Check = "clock_skew"      // own clock is wrong
	CheckBatteryLow    Check = "battery_low"     // nearly empty
	CheckBatteryFading Check = "battery_fading"  // will be empty soon
	CheckFlapping      Check = "flapping"        // comes and goes
)

// Finding is one test's complaint about one reading. Tests that pass leave
// none. The zero value is no finding.
type Finding struct {
	Check Check        `json:"check"`
	Flag  sensors.Flag `json:"flag"`
	// Size is what was compared with Limit, both in the quantity's unit, or in
	// seconds for gaps, order, flat lines and condensing, or a ratio for noise.
	Size  float64 `json:"size"`
	Limit float64 `json:"limit"`
	// Since is the event time at which the state complained of began.
	Since time.Time `json:"since"`
}

// String says what is wrong in words a technician can act on.
func (f Finding) String() string {
	switch f.Check {
	case CheckValue:
		return "not a finite number"
	case CheckOrder:
		return fmt.Sprintf("%.4g s older than the newest reading", f.Size)
	case CheckGap:
		return fmt.Sprintf("first reading after %.4g s", f.Size)
	case CheckGrossRange:
		return fmt.Sprintf("%.4g is beyond %.4g", f.Size, f.Limit)
	case CheckClimatology:
		return fmt.Sprintf("%.4g is not expected in this room now", f.Size)
	case CheckRateOfChange:
		return fmt.Sprintf("changed by %.4g since the reading before, more than %.4g", f.Size, f.Limit)
	case CheckSpike:
		return fmt.Sprintf("single reading %.4g off its neighbours, more than %.4g", f.Size, f.Limit)
	case CheckFlatLine:
		return fmt.Sprintf("unchanged for %.1f h, longer than %.1f h", f.Size/3600, f.Limit/3600)
	case CheckCondensing:
		return fmt.Sprintf("saturated for %.0f min: sensor is wet or the room condenses", f.Size/60)
	case CheckNoise:
		return fmt.Sprintf("%.1f times its usual noise", f.Size)
	case CheckAttenuated:
		return fmt.Sprintf("varied by only %.4g, less than %.4g", f.Size, f.Limit)
	case CheckUnitFahr:
		return "looks like degrees Fahrenheit"
	case CheckUnitKelvin:
		return "looks like kelvin"
	case CheckUnitRatio:
		return "looks like a ratio of 0 to 1 instead of percent"
	case CheckNeighbour:
		return fmt.Sprintf("%+.4g from the other sensors of the room, more than %.4g", f.Size, f.Limit)
	case CheckDrift:
		return fmt.Sprintf("drifted by %+.4g against the other sensors of the room since %s", f.Size, f.Since.Format(time.DateOnly))
	case CheckSilent:
		return fmt.Sprintf("silent for %.4g s, longer than its habit of %.4g s", f.Size, f.Limit)
	case CheckClockSkew:
		return fmt.Sprintf("its clock is %+.4g s off", f.Size)
	case CheckBatteryLow:
		return fmt.Sprintf("battery at %.3g %%", f.Size)
	case CheckBatteryFading:
		return fmt.Sprintf("battery empty in about %.0f days", f.Size)
	case CheckFlapping:
		return fmt.Sprintf("left %.0f times within %.0f h", f.Size, f.Limit)
	}
	return string(f.Check)
}

// Amendment corrects the flag of the reading before the present one. A single
// spike can be told only when the next reading has come back: at once the
// spike gets what the rate of change says, and this follows for the record.
// Alarms never wait for it.
type Amendment struct {
	Time  time.Time    `json:"time"`
	Value float64      `json:"value"`
	Was   sensors.Flag `json:"was"`
	Flag  sensors.Flag `json:"flag"`
	// Size is how far the reading stood off its nearer neighbour; Limit is
	// what it was allowed. Both in the quantity's unit.
	Size  float64 `json:"size"`
	Limit float64 `json:"limit"`
}
