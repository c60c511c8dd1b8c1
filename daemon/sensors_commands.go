package daemon

import (
	"time"

	"rearguard/daemon/facility"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// ClaimSensor takes up a sensor while the engine runs. The configuration file
// must hold it already, so that it is there after a restart as well.
type ClaimSensor struct {
	Sensor facility.Sensor `json:"sensor"`
	Who    string          `json:"who"`
}

// StartBench takes a sensor out of its room onto the calibration bench: its
// readings count for nothing but the bench until it leaves.
type StartBench struct {
	Sensor   sensors.SensorID `json:"sensor"`
	Quantity sensors.Quantity `json:"quantity"`
	Who      string           `json:"who"`
}

// The kinds of a Reference.
const (
	ReferenceSalt       = "salt"
	ReferenceIce        = "ice"
	ReferenceInstrument = "instrument"
)

// Reference is what a sensor on the bench is compared with.
type Reference struct {
	// Kind is "salt", "ice" or "instrument".
	Kind string `json:"kind"`
	// Salt and the temperature of its vessel in °C, known to within
	// CelsiusError.
	Salt         calibration.Salt `json:"salt,omitempty"`
	Celsius      float64          `json:"celsius,omitempty"`
	CelsiusError float64          `json:"celsius_error,omitempty"`
	// Value is what the instrument shows, in the quantity's unit, and Expanded
	// the uncertainty (k = 2) of its certificate.
	Instrument calibration.Instrument `json:"instrument,omitzero"`
	Value      float64                `json:"value,omitempty"`
	Expanded   float64                `json:"expanded_uncertainty,omitempty"`
}

// ReadBench reads a sensor on the bench against a reference. It is refused
// until the sensor has settled.
type ReadBench struct {
	Sensor    sensors.SensorID `json:"sensor"`
	Reference Reference        `json:"reference"`
	Who       string           `json:"who"`
}

// FinishBench computes the correction from the points read, puts it into force
// and brings the sensor back into its room. Due may be zero, for a year.
type FinishBench struct {
	Sensor sensors.SensorID `json:"sensor"`
	Due    time.Time        `json:"due,omitzero"`
	Note   string           `json:"note,omitempty"`
	Who    string           `json:"who"`
}

// LeaveBench brings a sensor back into its room without a calibration.
type LeaveBench struct {
	Sensor sensors.SensorID `json:"sensor"`
	Who    string           `json:"who"`
}

// Calibrate puts a certificate into force that was made elsewhere, for readings
// from its From on that are still to come.
type Calibrate struct {
	Certificate calibration.Certificate `json:"certificate"`
	Who         string                  `json:"who"`
}

// ReapplyCalibration makes the newest calibration of a series hold from an
// earlier time on, and corrects what is stored from then: values and thermal
// time.
type ReapplyCalibration struct {
	Sensor   sensors.SensorID `json:"sensor"`
	Quantity sensors.Quantity `json:"quantity"`
	From     time.Time        `json:"from"`
	Who      string           `json:"who"`
}

// presenceEvent is a sensor, or its broker in its place, saying whether it is
// there. It is kept in the journal, since room air depends on it.
type presenceEvent struct {
	Sensor sensors.SensorID `json:"sensor"`
	Here   bool             `json:"here"`
}

// Kind implements Command.
func (ClaimSensor) Kind() string { return "claim-sensor" }

// Kind implements Command.
func (StartBench) Kind() string { return "start-bench" }

// Kind implements Command.
func (ReadBench) Kind() string { return "read-bench" }

// Kind implements Command.
func (FinishBench) Kind() string { return "finish-bench" }

// Kind implements Command.
func (LeaveBench) Kind() string { return "leave-bench" }

// Kind implements Command.
func (Calibrate) Kind() string { return "calibrate" }

// Kind implements Command.
func (ReapplyCalibration) Kind() string { return "reapply-calibration" }

// Kind implements Command.
func (presenceEvent) Kind() string { return "presence" }

// sensorEventOf is an event of the journal that is about sensors, nil for any
// other kind.
func sensorEventOf(kind string, read func(event any)) Command {
	switch kind {
	case ClaimSensor{}.Kind():
		var v ClaimSensor
		read(&v)
		return v
	case StartBench{}.Kind():
		var v StartBench
		read(&v)
		return v
	case ReadBench{}.Kind():
		var v ReadBench
		read(&v)
		return v
	case FinishBench{}.Kind():
		var v FinishBench
		read(&v)
		return v
	case LeaveBench{}.Kind():
		var v LeaveBench
		read(&v)
		return v
	case Calibrate{}.Kind():
		var v Calibrate
		read(&v)
		return v
	case ReapplyCalibration{}.Kind():
		var v ReapplyCalibration
		read(&v)
		return v
	case presenceEvent{}.Kind():
		var v presenceEvent
		read(&v)
		return v
	}
	return nil
}

// whoOfSensors is the person behind an event about sensors.
func whoOfSensors(event Command) string {
	switch v := event.(type) {
	case ClaimSensor:
		return v.Who
	case StartBench:
		return v.Who
	case ReadBench:
		return v.Who
	case FinishBench:
		return v.Who
	case LeaveBench:
		return v.Who
	case Calibrate:
		return v.Who
	case ReapplyCalibration:
		return v.Who
	}
	return ""
}

// applyToSensors carries out an event about sensors; it is false for others.
func (c *core) applyToSensors(event Command, arrival time.Time) (known bool, err error) {
	switch v := event.(type) {
	case ClaimSensor:
		return true, c.claim(v, arrival)
	case StartBench:
		return true, c.startBench(v, arrival)
	case ReadBench:
		return true, c.readBench(v)
	case FinishBench:
		return true, c.finishBench(v, arrival)
	case LeaveBench:
		return true, c.leaveBench(v)
	case Calibrate:
		return true, c.calibrate(v.Certificate, arrival)
	case ReapplyCalibration:
		return true, c.reapplyCalibration(v, arrival)
	case presenceEvent:
		return true, c.present(v, arrival)
	}
	return false, nil
}
