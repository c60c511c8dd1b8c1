package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"rearguard/cmd/internal/cli"
	"rearguard/sensors/air"
)

type airCommand struct {
	Temperature float64  `required:"" placeholder:"C" help:"Air temperature in °C, -20 to 60."`
	Humidity    *float64 `required:"" xor:"moisture" placeholder:"PERCENT" help:"Relative humidity over water in percent, 0 to 100."`
	DewPoint    *float64 `required:"" xor:"moisture" placeholder:"C" help:"Measured dew point over water in °C, instead of a humidity."`
	FrostPoint  *float64 `required:"" xor:"moisture" placeholder:"C" help:"Measured frost point in °C, instead of a humidity."`
	Altitude    *float64 `placeholder:"M" xor:"pressure" help:"Altitude in metres, for the pressure of the standard atmosphere there (default 0)."`
	Pressure    *float64 `placeholder:"HPA" xor:"pressure" help:"Measured pressure in hPa, instead of an altitude."`
	JSON        bool     `help:"Print as JSON, in SI units."`
}

// airReport is the answer in the units and names of the public interface. A
// point that does not exist is null.
type airReport struct {
	Temperature          float64  `json:"temperature_celsius"`
	RelativeHumidity     float64  `json:"relative_humidity_ratio"`
	Pressure             float64  `json:"pressure_pascals"`
	SaturationPressure   float64  `json:"saturation_vapor_pressure_pascals"`
	VaporPressure        float64  `json:"vapor_pressure_pascals"`
	VaporPressureDeficit float64  `json:"vapor_pressure_deficit_pascals"`
	DewPoint             *float64 `json:"dew_point_celsius"`
	FrostPoint           *float64 `json:"frost_point_celsius"`
	WetBulb              float64  `json:"wet_bulb_celsius"`
	HumidityRatio        float64  `json:"humidity_ratio_kg_per_kg"`
	SpecificHumidity     float64  `json:"specific_humidity_kg_per_kg"`
	AbsoluteHumidity     float64  `json:"absolute_humidity_grams_per_cubic_meter"`
}

func (c *airCommand) Run(e *cli.Env) error {
	pressure, err := c.pressurePa()
	if err != nil {
		return cli.Unusable("air: %w", err)
	}
	humidity, err := c.humidityPercent()
	if err != nil {
		return cli.Unusable("air: %w", err)
	}
	a, err := air.Derive(c.Temperature, humidity, pressure)
	if err != nil {
		return cli.Unusable("air: %w", err)
	}
	report := airReport{
		Temperature:          a.TemperatureC,
		RelativeHumidity:     a.RelativeHumidityPercent / 100,
		Pressure:             a.PressurePa,
		SaturationPressure:   a.SaturationVaporPressurePa,
		VaporPressure:        a.VaporPressurePa,
		VaporPressureDeficit: a.VaporPressureDeficitPa,
		WetBulb:              a.WetBulbC,
		HumidityRatio:        a.HumidityRatioKgKg,
		SpecificHumidity:     a.SpecificHumidityKgKg,
		AbsoluteHumidity:     a.AbsoluteHumidityGM3,
	}
	if a.HasDewPoint() {
		report.DewPoint = &a.DewPointC
	}
	if a.HasFrostPoint() {
		report.FrostPoint = &a.FrostPointC
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(report)
	}
	return report.print(e.Out)
}

// humidityPercent returns the relative humidity that was given, or that belongs
// to the point at which a mirror was seen to fog.
func (c *airCommand) humidityPercent() (float64, error) {
	switch {
	case c.DewPoint != nil:
		return air.RelativeHumidityFromDewPoint(c.Temperature, *c.DewPoint)
	case c.FrostPoint != nil:
		return air.RelativeHumidityFromFrostPoint(c.Temperature, *c.FrostPoint)
	}
	return *c.Humidity, nil
}

func (c *airCommand) pressurePa() (float64, error) {
	switch {
	case c.Pressure != nil:
		// Derive would refuse it too, but in pascals.
		if p := *c.Pressure; !(p >= air.LowestPressurePa/100 && p <= air.HighestPressurePa/100) {
			return 0, &air.RangeError{
				Quantity: "pressure", Value: p, Unit: "hPa",
				Low: air.LowestPressurePa / 100, High: air.HighestPressurePa / 100,
			}
		}
		return *c.Pressure * 100, nil
	case c.Altitude != nil:
		return air.PressureAtAltitude(*c.Altitude)
	}
	return air.StandardPressurePa, nil
}

func (r *airReport) print(out io.Writer) error {
	var text strings.Builder
	row := func(name, format string, value float64, unit string) {
		fmt.Fprintf(&text, "%-24s %9s %s\n", name, fmt.Sprintf(format, value), unit)
	}
	row("temperature", "%.2f", r.Temperature, "°C")
	row("relative humidity", "%.2f", 100*r.RelativeHumidity, "% over water")
	row("pressure", "%.2f", r.Pressure/100, "hPa")
	row("saturation pressure", "%.4f", r.SaturationPressure/1000, "kPa over water")
	row("vapour pressure", "%.4f", r.VaporPressure/1000, "kPa")
	row("vapour pressure deficit", "%.4f", r.VaporPressureDeficit/1000, "kPa")
	if r.DewPoint != nil {
		row("dew point", "%.2f", *r.DewPoint, "°C")
	}
	if r.FrostPoint != nil {
		row("frost point", "%.2f", *r.FrostPoint, "°C")
	}
	row("wet bulb", "%.2f", r.WetBulb, "°C")
	row("humidity ratio", "%.3f", 1000*r.HumidityRatio, "g per kg of dry air")
	row("absolute humidity", "%.3f", r.AbsoluteHumidity, "g/m³")
	if r.DewPoint == nil {
		text.WriteString("The air is too dry to have a dew point.\n")
	}
	_, err := io.WriteString(out, text.String())
	return err
}
