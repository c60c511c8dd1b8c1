package dashtest

import (
	"time"

	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
	"rearguard/sensors/unclaimed"
)

// Technician returns the sample facility with everything a technician can
// meet: topics that nobody claims, sensors that are doubted, on the bench,
// retired, and a certificate.
func Technician() *snapshot.Snapshot {
	s := Sample()
	cert := sampleCertificate(s.Sensors[0].ID)
	s.Certificates = []calibration.InForce{cert}
	s.Unclaimed = []unclaimed.TopicView{
		unclaimedTopic("site/new/attic-window-left", "json", 12, payload.GuessedField{At: "/temperature", Quantity: sensors.Temperature, Unit: "°C", Value: 23.41}),
		unclaimedTopic("homie/5/greenhouse-device-with-a-long-name", "homie", 1, payload.GuessedField{At: "air/humidity", Quantity: sensors.RelativeHumidity, Unit: "%", Sure: true, Value: 61}),
		{Topic: "site/lamp", First: now.Add(-time.Hour), Last: now, Count: 3, Payloads: []unclaimed.Excerpt{{Time: now, Topic: "site/lamp", Excerpt: `"ON"`}}},
	}
	skew, perDay, left := 3*time.Minute, -1.4, 21.0
	first := &s.Sensors[0]
	first.HeightM = ptr(1.4)
	first.Findings = []desk.FindingView{
		{Quantity: sensors.Temperature, Check: quality.CheckDrift, Flag: sensors.Suspect, Text: "drifted by +1.2 against the other sensors of the room since 2026-05-02", Since: now.AddDate(0, 0, -12)},
		{Check: quality.CheckBatteryFading, Text: "battery empty in about 21 days", Since: now},
		{Quantity: sensors.RelativeHumidity, Check: quality.CheckCondensing, Flag: sensors.Fail, Text: "saturated for 95 min: sensor is wet or the room condenses", Since: now.Add(-95 * time.Minute)},
	}
	first.Series = []desk.SeriesView{
		{
			Quantity: sensors.Temperature, FlaggedSince: now.AddDate(0, 0, -3), Offset: ptr(1.21), Calibration: &cert,
			Drift:   &quality.Drift{Size: 1.2, PerDay: 0.1, Since: now.AddDate(0, 0, -12)},
			Amended: &quality.Amendment{Time: now.Add(-5 * time.Hour), Value: 31, Was: sensors.Pass, Flag: sensors.Suspect, Size: 6.2, Limit: 2.5},
		},
		{Quantity: sensors.RelativeHumidity, Offset: ptr(-3.5)},
	}
	first.Health = desk.HealthView{
		Interval: time.Minute, SilentAfter: 5 * time.Minute, Announces: true, GoneSince: now.Add(-time.Minute),
		ClockSkew: &skew, BatteryPerDay: &perDay, BatteryDays: &left,
	}
	second := &s.Sensors[1]
	second.Series = []desk.SeriesView{{Quantity: sensors.Temperature}, {Quantity: sensors.RelativeHumidity}}
	second.Bench = sampleBench()
	s.Sensors[2].Place, s.Sensors[2].Room = "outdoor", ""
	s.Retired = []desk.View{{ID: "nursery-old", Room: "nursery", Position: "shelf 1", Retired: true, LastReading: now.AddDate(0, -1, 0)}}
	s.Rooms[0].Disagreements = []desk.Disagreement{
		{Quantity: sensors.Temperature, Spread: 2.3, Limit: 1.5, Sensors: 3, Raised: true}, {Quantity: sensors.RelativeHumidity, Spread: 3, Limit: 8, Sensors: 3},
	}
	return s
}

func unclaimedTopic(topic string, format payload.Format, count uint64, f payload.GuessedField) unclaimed.TopicView {
	v := unclaimed.TopicView{
		Topic: topic, Format: format, First: now.Add(-11 * time.Minute), Last: now.Add(-20 * time.Second), Count: count,
		Payloads: []unclaimed.Excerpt{{Time: now, Topic: topic, Excerpt: `"{\"temperature\":23.41,\"humidity\":61,\"id\":\"0x00158d0003f1a2b4\"}"`}},
	}
	if count > 1 {
		v.PerMinute = 1
	}
	field := unclaimed.FieldView{GuessedField: f}
	for i := range 12 {
		value := f.Value
		if i > 9 && format == "json" {
			value += 3
		}
		field.Trace = append(field.Trace, quality.TracePoint{Time: now.Add(time.Duration(i-11) * time.Minute), Value: value})
	}
	v.Fields = []unclaimed.FieldView{field}
	return v
}

func sampleBench() *calibration.BenchView {
	b := &calibration.BenchView{
		Quantity: sensors.RelativeHumidity, Since: now.Add(-2 * time.Hour), By: "Ines", Limits: calibration.DefaultStability(sensors.RelativeHumidity), Wanted: 2,
		Points: []calibration.Point{{Reference: "MgCl2 at 25.0 °C", True: 32.78, Uncertainty: 0.2, Reading: calibration.Measurement{Mean: 35, N: 31, Stable: true}, Source: "Greenspan 1977 Table 1"}},
	}
	bench := calibration.NewBench(b.Limits)
	for i := range 25 {
		bench.Observe(now.Add(time.Duration(i-25)*time.Minute), 60+10*float64(i)/25)
	}
	b.Now, b.Curve = bench.Read(), bench.Curve()
	return b
}

func sampleCertificate(id sensors.SensorID) calibration.InForce {
	m := calibration.Measurement{From: now.AddDate(-1, 0, -1), To: now.AddDate(-1, 0, -1).Add(10 * time.Minute), N: 21, Mean: 0.42, StdDev: 0.01, Spread: 0.04, Resolution: 0.01, Stable: true}
	return calibration.InForce{Holds: m.To, Certificate: calibration.Certificate{
		Number: "20250513-001", Series: sensors.Series{Sensor: id, Quantity: sensors.Temperature}, At: m.To, By: "Ines", From: m.To, Due: now.AddDate(0, 0, -1),
		Instruments: []calibration.Instrument{{Name: "reference thermometer", Serial: "4711", Certificate: "K-2025-88", Due: now.AddDate(1, 0, 0)}},
		Result:      calibration.Result{Quantity: sensors.Temperature, Gain: 1, Offset: -0.42, OffsetUncertainty: 0.03, Points: []calibration.Point{calibration.IcePoint(m)}},
		Note:        "new sleeve",
	}}
}
