package calibration

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"rearguard/sensors"
)

// Instrument is a reference used, as its own papers name it.
type Instrument struct {
	Name        string `json:"name"`
	Serial      string `json:"serial,omitempty"`
	Certificate string `json:"certificate,omitempty"`
	// Due is when the instrument itself must be calibrated; zero for never.
	Due time.Time `json:"due,omitzero"`
}

// Certificate records one calibration for printing and for the records.
type Certificate struct {
	// Number is the record's name, chosen by the caller.
	Number string         `json:"number"`
	Series sensors.Series `json:"series"`
	// At is when the last point was read; By who did it.
	At          time.Time    `json:"at"`
	By          string       `json:"by"`
	Instruments []Instrument `json:"instruments,omitempty"`
	Result      Result       `json:"result"`
	// From is when the correction begins to hold, Due when the next
	// calibration should be done.
	From time.Time `json:"from"`
	Due  time.Time `json:"due"`
	Note string    `json:"note,omitempty"`
}

// DefaultDueMonths between calibrations; common practice, no published source.
const DefaultDueMonths = 12

// NewCertificate records a result. From may be zero (the time of the last
// point), and due may be zero (twelve months later).
func NewCertificate(number string, series sensors.Series, by string, r Result, from, due time.Time, instruments ...Instrument) (Certificate, error) {
	c := Certificate{Number: number, Series: series, By: strings.TrimSpace(by), Result: r, From: from, Due: due, Instruments: instruments}
	var faults []error
	if c.By == "" {
		faults = append(faults, errors.New("say who calibrated"))
	}
	if r.Quantity != series.Quantity {
		faults = append(faults, fmt.Errorf("result is of %v, sensor measures %v", r.Quantity, series.Quantity))
	}
	for _, p := range r.Points {
		if p.Reading.To.After(c.At) {
			c.At = p.Reading.To
		}
	}
	if c.At.IsZero() {
		faults = append(faults, errors.New("no point was read"))
	}
	if c.From.IsZero() {
		c.From = c.At
	}
	if c.Due.IsZero() {
		c.Due = c.At.AddDate(0, DefaultDueMonths, 0)
	}
	if !c.Due.After(c.At) {
		faults = append(faults, errors.New("next calibration is due before this one"))
	}
	for _, i := range instruments {
		if !i.Due.IsZero() && i.Due.Before(c.At) {
			faults = append(faults, fmt.Errorf("reference %s was itself due for calibration on %s: %w", i.Name, i.Due.Format(time.DateOnly), ErrReference))
		}
	}
	if err := c.Correction().Validate(); err != nil {
		faults = append(faults, err)
	}
	if err := errors.Join(faults...); err != nil {
		return Certificate{}, fmt.Errorf("calibration certificate: %w", err)
	}
	return c, nil
}

// Correction returns what the certificate puts into effect.
func (c Certificate) Correction() Correction {
	names := make([]string, 0, len(c.Result.Points))
	for _, p := range c.Result.Points {
		names = append(names, p.Reference)
	}
	return Correction{
		Series: c.Series, From: c.From, Offset: c.Result.Offset, Gain: c.Result.Gain,
		Uncertainty: c.Result.Uncertainty(), By: c.By, Reference: strings.Join(names, ", "), Due: c.Due,
	}
}

// Overdue reports whether the next calibration should have been done by now.
func (c Certificate) Overdue(now time.Time) bool { return now.After(c.Due) }

// Cautions returns what must be said on the bench before working with a
// reference: a salt, or ice when it is empty.
func Cautions(salt Salt) []string {
	out := []string{
		"No mains voltage near water, ice or salt solutions: use battery-powered or extra-low-voltage sensors only, and disconnect mains-powered ones.",
	}
	if salt == "" {
		return append(out,
			"Put the sensor into the ice in a thin waterproof sleeve; water in the housing destroys it.",
			"Use ice from clean water, crushed, with just enough water to fill the gaps; drain and refill as it melts.",
			"The ice point proves 0 °C. A reference thermometer at rearing temperature proves more.",
		)
	}
	out = append(out,
		"Salt must never touch the sensor: use a slurry with undissolved crystals in an open cup, the sensor above it in a closed vessel.",
		"Wear gloves and goggles; keep salts away from animals, feed and drinking water; wash hands.",
		"Keep the vessel away from sun and draught; 1 °C between salt and sensor is several percent of humidity.",
	)
	switch salt {
	case LithiumChloride:
		out = append(out, "Lithium chloride is harmful if swallowed and irritates skin and eyes; its solution corrodes metal.")
	case PotassiumNitrate, MagnesiumNitrate:
		out = append(out, "Nitrates feed fire: keep away from anything that burns, dry no spills on paper or wood.")
	case PotassiumCarbonate:
		out = append(out, "Potassium carbonate is caustic to eyes and skin.")
	}
	return out
}
