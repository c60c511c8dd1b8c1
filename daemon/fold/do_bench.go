package fold

import (
	"context"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// StartBench takes a sensor out of its room onto the calibration bench: its
// readings count for nothing but the bench until it leaves.
type StartBench struct {
	Sensor   sensors.SensorID `json:"sensor"`
	Quantity sensors.Quantity `json:"quantity"`
	Who      string           `json:"who"`
}

// Kind names the command in the journal.
func (StartBench) Kind() string { return "start-bench" }

func (c StartBench) who() string { return c.Who }

func (c StartBench) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	start, err := f.desk.StartBench(c.Sensor, c.Quantity, c.Who, at)
	return func() error {
		start()
		return f.watch.roomOf(f.desk.Sensor(c.Sensor))
	}, err
}

// ReadBench reads a sensor on the bench against a reference. It is refused
// until the sensor has settled.
type ReadBench struct {
	Sensor    sensors.SensorID      `json:"sensor"`
	Reference calibration.Reference `json:"reference"`
	Who       string                `json:"who"`
}

// Kind names the command in the journal.
func (ReadBench) Kind() string { return "read-bench" }

func (c ReadBench) who() string { return c.Who }

func (c ReadBench) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	read, err := f.desk.ReadBench(c.Sensor, c.Reference, f.clock)
	return atDesk(read), err
}

// LeaveBench brings a sensor back into its room without a calibration.
type LeaveBench struct {
	Sensor sensors.SensorID `json:"sensor"`
	Who    string           `json:"who"`
}

// Kind names the command in the journal.
func (LeaveBench) Kind() string { return "leave-bench" }

func (c LeaveBench) who() string { return c.Who }

func (c LeaveBench) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	leave, err := f.desk.LeaveBench(c.Sensor)
	return atDesk(leave), err
}

// atDesk is a change that concerns nothing but the desk.
func atDesk(apply func()) change {
	return func() error {
		apply()
		return nil
	}
}

// FinishBench computes the correction from the points read, puts it into force
// and brings the sensor back into its room. Due may be zero, for a year.
type FinishBench struct {
	Sensor sensors.SensorID `json:"sensor"`
	Due    time.Time        `json:"due,omitzero"`
	Note   string           `json:"note,omitempty"`
	Who    string           `json:"who"`
}

// Kind names the command in the journal.
func (FinishBench) Kind() string { return "finish-bench" }

func (c FinishBench) who() string { return c.Who }

func (c FinishBench) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	finish, err := f.desk.FinishBench(c.Sensor, c.Who, c.Note, c.Due, at)
	return func() error { return f.out.keepCalibration(finish()) }, err
}
