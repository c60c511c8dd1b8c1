package entry

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/sensors"
)

var sensorName = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,62}[a-z0-9])?$`)

// ClaimSensor takes up a sensor that was seen on the broker.
func ClaimSensor(s *daemon.Snapshot, sensor facility.Sensor, who string) (daemon.ClaimSensor, error) {
	who, err := Who(who)
	if err != nil {
		return daemon.ClaimSensor{}, err
	}
	if !sensorName.MatchString(string(sensor.ID)) {
		return daemon.ClaimSensor{}, &FieldError{"id", "use up to 64 lower-case letters, digits, hyphens, dots and underscores, with a letter or digit first and last"}
	}
	taken := func(v daemon.SensorView) bool { return v.ID == sensor.ID }
	if slices.ContainsFunc(s.Sensors, taken) || slices.ContainsFunc(s.Retired, taken) {
		return daemon.ClaimSensor{}, &FieldError{"id", "there is a sensor of this name already; give this one another"}
	}
	if sensor.Room != "" {
		if _, err := FindRoom(s, sensor.Room); err != nil {
			return daemon.ClaimSensor{}, &FieldError{"room", "there is no such room"}
		}
	}
	if sensor.Position, err = text("position", sensor.Position, maxName); err != nil {
		return daemon.ClaimSensor{}, err
	}
	values := 0
	for _, in := range sensor.Inputs {
		values += len(in.Values)
	}
	if values == 0 {
		return daemon.ClaimSensor{}, &FieldError{"values", "say what at least one of the numbers is"}
	}
	return daemon.ClaimSensor{Sensor: sensor, Who: who}, nil
}

// FindUnclaimed finds a topic that no sensor claims.
func FindUnclaimed(s *daemon.Snapshot, topic string) (*daemon.UnclaimedView, error) {
	for i := range s.Unclaimed {
		if s.Unclaimed[i].Topic == topic {
			return &s.Unclaimed[i], nil
		}
	}
	return nil, fmt.Errorf("topic %q is %w: it may be a sensor's by now, or was not seen since the last start", topic, ErrUnknown)
}

// StartBench takes a sensor to the calibration bench.
func StartBench(id sensors.SensorID, quantity, who string) (daemon.StartBench, error) {
	who, err := Who(who)
	if err != nil {
		return daemon.StartBench{}, err
	}
	q, err := sensors.ParseQuantity(quantity)
	if err != nil {
		return daemon.StartBench{}, &FieldError{"quantity", err.Error()}
	}
	return daemon.StartBench{Sensor: id, Quantity: q, Who: who}, nil
}

// Reapply makes the newest calibration hold from an earlier time on.
func Reapply(id sensors.SensorID, quantity string, from time.Time, who string) (daemon.ReapplyCalibration, error) {
	who, err := Who(who)
	if err != nil {
		return daemon.ReapplyCalibration{}, err
	}
	q, err := sensors.ParseQuantity(strings.TrimSpace(quantity))
	if err != nil {
		return daemon.ReapplyCalibration{}, &FieldError{"quantity", err.Error()}
	}
	if from.IsZero() {
		return daemon.ReapplyCalibration{}, &FieldError{"from", "say from when on the calibration is to hold"}
	}
	return daemon.ReapplyCalibration{Sensor: id, Quantity: q, From: from, Who: who}, nil
}
