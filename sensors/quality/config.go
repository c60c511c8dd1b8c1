package quality

import (
	"fmt"
	"math"
	"time"

	"rearguard/sensors"
)

// Config holds the limits of an Assessor. Limits are in the quantity's unit; a
// zero limit turns its test off. Start from DefaultConfig.
type Config struct {
	// Sensor is what the sensor can measure: beyond it a reading fails.
	Sensor Span `json:"sensor,omitzero"`
	// User is what the place can be: beyond it a reading is suspect.
	User Span `json:"user,omitzero"`
	// Climate is what this room is expected to be, by time.
	Climate []Climate `json:"climate,omitempty"`
	// HeightMeters is where the sensor hangs, for Climate.
	HeightMeters float64 `json:"height_meters,omitzero"`

	// StepSuspect and StepFail bound the change from one reading to the next
	// within a minute. Over longer times they grow with the square root of
	// the minutes, so that a slow sensor is not excused from any step.
	StepSuspect float64 `json:"step_suspect,omitzero"`
	StepFail    float64 `json:"step_fail,omitzero"`
	// SpikeSuspect and SpikeFail bound a single reading's distance from
	// both its neighbours, growing likewise beyond ten minutes.
	SpikeSuspect float64 `json:"spike_suspect,omitzero"`
	SpikeFail    float64 `json:"spike_fail,omitzero"`

	// Gap is the time without readings after which the next one cannot be
	// compared. Zero learns it: three usual intervals, at least ten minutes.
	Gap time.Duration `json:"gap,omitzero"`

	// FlatMin is the least time of unchanging readings that is suspect, and
	// FlatPerUnit lengthens it for coarse sensors: time for each unit of the
	// sensor's learned resolution. FlatFail is how many times the suspect time
	// makes it fail. FlatMin zero turns the test off.
	FlatMin     time.Duration `json:"flat_min,omitzero"`
	FlatPerUnit time.Duration `json:"flat_per_unit,omitzero"`
	FlatFail    float64       `json:"flat_fail,omitzero"`

	// CondensingAt is the relative humidity at which a sensor is taken to be
	// wet when it stays there for CondensingAfter.
	CondensingAt    float64       `json:"condensing_at,omitzero"`
	CondensingAfter time.Duration `json:"condensing_after,omitzero"`

	// NoiseRatio is how many times its own usual noise makes a sensor suspect.
	NoiseRatio float64 `json:"noise_ratio,omitzero"`

	// AttenuatedSuspect and AttenuatedFail are the least ranges within
	// AttenuatedWindow (at most 48 h, whole hours).
	AttenuatedSuspect float64       `json:"attenuated_suspect,omitzero"`
	AttenuatedFail    float64       `json:"attenuated_fail,omitzero"`
	AttenuatedWindow  time.Duration `json:"attenuated_window,omitzero"`

	// UnitJump is the change beyond which the new value is tried in another
	// unit (Fahrenheit or kelvin for Celsius, ratio for percent).
	UnitJump float64 `json:"unit_jump,omitzero"`
}

// DefaultConfig returns limits that leave a well-run rearing room unflagged.
//
//   - Sensor span: -40 to 80 °C and -2 to 105 % are what common digital sensors
//     deliver at all; common practice, no published source. It catches the
//     85 °C and -127 °C that one-wire sensors report on power-up and when
//     disconnected (their data sheet, from memory).
//   - User span: -10 to 50 °C covers overwintering to the hottest room; 3 to
//     102 % allows a good sensor its tolerance above the plausible 0 to 100 % of
//     the WMO guidelines for automatic stations (from memory), and below 3 % no
//     room with animals is: it is a ratio sent as percent. Common practice, no
//     published source.
//   - Step: 3 °C and 10 % in a minute suspect, 15 % in a minute erroneous:
//     WMO-No. 8 and the WMO guidelines on quality control for automatic weather
//     stations (2004), from memory. The square root growth beyond a minute is
//     common practice, no published source.
//   - Spike: 2.5 °C and 5 °C, 8 % and 16 %; common practice, no published source.
//   - Flat line: 3 h, lengthened by 120 h per °C and 12 h per % of resolution (a
//     0.1 °C sensor: 12 h), fail at four times; common practice, no published
//     source. The WMO minimum variability (0.1 °C and 1 % in 60 min, from
//     memory) is meant for the open air and would flag every good room.
//   - Condensing: 99.5 % for an hour, longer than a misting burst takes to
//     drain; common practice, no published source.
//   - Noise: three times the sensor's own; common practice, no published source.
//   - Attenuated signal: off, because a controlled room may be that steady;
//     Neighbours finds a sensor that no longer follows its room.
//   - Unit: a jump of 8 °C or 10 %; common practice, no published source.
//
// Battery and signal strength only have spans (0 to 100 %; -150 to 0 dBm).
func DefaultConfig(q sensors.Quantity) Config {
	switch q {
	case sensors.Temperature:
		return Config{
			Sensor: Span{-40, 80}, User: Span{-10, 50},
			StepSuspect: 3, SpikeSuspect: 2.5, SpikeFail: 5,
			FlatMin: 3 * time.Hour, FlatPerUnit: 120 * time.Hour, FlatFail: 4,
			NoiseRatio: 3, UnitJump: 8,
		}
	case sensors.RelativeHumidity:
		return Config{
			Sensor: Span{-2, 105}, User: Span{3, 102},
			StepSuspect: 10, StepFail: 15, SpikeSuspect: 8, SpikeFail: 16,
			FlatMin: 3 * time.Hour, FlatPerUnit: 12 * time.Hour, FlatFail: 4,
			CondensingAt: 99.5, CondensingAfter: time.Hour,
			NoiseRatio: 3, UnitJump: 10,
		}
	case sensors.Battery:
		return Config{Sensor: Span{0, 100}}
	case sensors.SignalStrength:
		return Config{Sensor: Span{-150, 0}}
	}
	return Config{}
}

// OutdoorConfig returns limits for a sensor outdoors or in supply air, where
// the range is the weather's: up to 60 °C, the plausible value of the WMO
// guidelines (from memory), and no test of condensing, since fog is common.
func OutdoorConfig(q sensors.Quantity) Config {
	c := DefaultConfig(q)
	if q == sensors.Temperature {
		c.User = Span{-40, 60}
	}
	c.CondensingAt, c.CondensingAfter = 0, 0
	return c
}

// Validate reports limits that contradict each other.
func (c Config) Validate() error {
	for _, s := range []struct {
		name string
		Span
	}{{"sensor", c.Sensor}, {"user", c.User}} {
		if !s.IsZero() && !(s.Low < s.High) {
			return fmt.Errorf("%s span %g to %g: the low end must be below the high end", s.name, s.Low, s.High)
		}
	}
	if !c.User.IsZero() && !c.Sensor.IsZero() && (c.User.Low < c.Sensor.Low || c.User.High > c.Sensor.High) {
		return fmt.Errorf("user span %g to %g must lie within the sensor span %g to %g",
			c.User.Low, c.User.High, c.Sensor.Low, c.Sensor.High)
	}
	for _, p := range []struct {
		name          string
		suspect, fail float64
	}{
		{"step", c.StepSuspect, c.StepFail},
		{"spike", c.SpikeSuspect, c.SpikeFail},
		{"attenuated", c.AttenuatedFail, c.AttenuatedSuspect},
		{"condensing_at", c.CondensingAt, 0},
		{"noise_ratio", c.NoiseRatio, 0},
		{"unit_jump", c.UnitJump, 0},
		{"flat_fail", c.FlatFail, 0},
	} {
		if !(p.suspect >= 0) || !(p.fail >= 0) || math.IsInf(p.suspect, 0) || math.IsInf(p.fail, 0) {
			return fmt.Errorf("%s: limits %g and %g must be finite and not negative", p.name, p.suspect, p.fail)
		}
		if p.fail > 0 && p.fail < p.suspect {
			return fmt.Errorf("%s: limits %g and %g are in the wrong order", p.name, p.suspect, p.fail)
		}
	}
	if c.Gap < 0 || c.FlatMin < 0 || c.FlatPerUnit < 0 || c.CondensingAfter < 0 {
		return fmt.Errorf("gap, flat and condensing times must not be negative")
	}
	if c.AttenuatedWindow < 0 || c.AttenuatedWindow > maxRangeHours*time.Hour {
		return fmt.Errorf("attenuated window %v must be within 0 and %d h", c.AttenuatedWindow, maxRangeHours)
	}
	return nil
}
