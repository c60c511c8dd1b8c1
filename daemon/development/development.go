// Package development turns temperature into progress: thermal time in
// degree-days, nonlinear developmental rates, and the published daily methods.
package development

// Rate is a developmental rate model: how fast physiological time passes at a
// temperature. A linear model counts degree-days; a nonlinear one counts
// fractions of the stage.
type Rate interface {
	// PerDay returns the physiological time that passes in a day at a
	// constant temperature in °C. It is never negative and never NaN.
	PerDay(temperatureC float64) float64
	// Along returns the physiological time that passes while the temperature
	// moves in a straight line from fromC to toC in the given number of days.
	// For linear models it is exact, also where the line crosses a threshold.
	Along(fromC, toC, days float64) float64
	// Unit is the unit of physiological time: "degree-days" or "stages".
	Unit() string
}
