package entry

import (
	"regexp"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

var sensorName = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,62}[a-z0-9])?$`)

// ClaimSensor takes up a sensor that was seen on the broker.
func ClaimSensor(s *snapshot.Snapshot, sensor facility.Sensor, who string) (fold.ClaimSensor, error) {
	c := check{s: s}
	who = c.who(who)
	c.must(sensorName.MatchString(string(sensor.ID)), "id", "use up to 64 lower-case letters, digits, hyphens, dots and underscores, with a letter or digit first and last")
	_, unknown := s.AnySensor(sensor.ID)
	c.must(unknown != nil, "id", "there is a sensor of this name already; give this one another")
	if sensor.Room != "" {
		_, err := s.Room(sensor.Room)
		c.must(err == nil, "room", "there is no such room")
	}
	sensor.Position = c.text("position", sensor.Position, maxName)
	values := 0
	for _, in := range sensor.Inputs {
		values += len(in.Values)
	}
	c.must(values > 0, "values", "say what at least one of the numbers is")
	return fold.ClaimSensor{Sensor: sensor, Who: who}, c.err
}

// StartBench takes a sensor to the calibration bench.
func StartBench(id sensors.SensorID, quantity, who string) (fold.StartBench, error) {
	var c check
	cmd := fold.StartBench{Sensor: id, Who: c.who(who), Quantity: c.quantity(quantity)}
	return cmd, c.err
}

// Reapply makes the newest calibration hold from an earlier time on.
func Reapply(id sensors.SensorID, quantity string, from time.Time, who string) (fold.ReapplyCalibration, error) {
	var c check
	cmd := fold.ReapplyCalibration{Sensor: id, From: from, Who: c.who(who), Quantity: c.quantity(quantity)}
	c.must(!from.IsZero(), "from", "say from when on the calibration is to hold")
	return cmd, c.err
}
