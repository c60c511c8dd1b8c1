package technician

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"rearguard/daemon/fold"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/chart"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
)

type benchModel struct {
	Sensor Row
	Bench  *calibration.BenchView
	// Quantities can be calibrated; Choice is the first.
	Quantities []sensors.Quantity
	Salts      []saltModel
	Cautions   []string
	// Celsius is what the sensor itself says of the vessel's temperature.
	Celsius string
	// Curve is the course of the raw readings.
	Curve chart.Trace
	Unit  string
	// Watched is the percentage of the window for stability that has been
	// measured.
	Watched int
	Due     string
	// Others is how many the room has besides this one.
	Others int
}

type saltModel struct {
	Salt calibration.Salt
	Name string
	At25 string
}

func saltNames() map[calibration.Salt]string {
	return map[calibration.Salt]string{
		calibration.LithiumChloride: "lithium chloride", calibration.PotassiumAcetate: "potassium acetate",
		calibration.MagnesiumChloride: "magnesium chloride", calibration.PotassiumCarbonate: "potassium carbonate",
		calibration.MagnesiumNitrate: "magnesium nitrate", calibration.SodiumBromide: "sodium bromide",
		calibration.PotassiumIodide: "potassium iodide", calibration.SodiumChloride: "sodium chloride (table salt)",
		calibration.PotassiumChloride: "potassium chloride", calibration.PotassiumNitrate: "potassium nitrate",
		calibration.PotassiumSulfate: "potassium sulphate",
	}
}

func benchPage() page.Page {
	return page.Page{Path: "/sensors/{id}/bench", Sections: []page.Section{page.Live("bench"), page.Fixed("bench-forms")}, Build: buildBench}
}

func buildBench(v *page.View, r *http.Request) (page.Content, error) {
	s, err := v.S.Sensor(sensors.SensorID(r.PathValue("id")))
	if err != nil {
		return page.Content{}, err
	}
	m := benchModel{Sensor: rowOf(v, s), Bench: s.Bench, Due: v.S.Time.In(v.Loc).AddDate(0, calibration.DefaultDueMonths, 0).Format(time.DateOnly)}
	for _, one := range m.Sensor.Air() {
		m.Quantities = append(m.Quantities, one.Quantity)
	}
	if room, err := v.S.Room(s.Room); err == nil {
		m.Others = room.TotalSensors - 1
	}
	if m.Bench != nil {
		m.fill(s)
	} else {
		m.Cautions = append(calibration.Cautions(""), calibration.Cautions(calibration.SodiumChloride)[1:]...)
	}
	return page.Content{Title: "Calibrate " + string(s.ID), Data: m}, nil
}

func (m *benchModel) fill(s *desk.View) {
	b := m.Bench
	m.Unit = b.Quantity.Unit()
	m.Watched = int(min(100, 100*b.Now.To.Sub(b.Now.From)/b.Limits.Window))
	names := saltNames()
	for _, salt := range calibration.Salts() {
		one := saltModel{Salt: salt, Name: names[salt]}
		if p, err := salt.FixedPoint(25); err == nil {
			one.At25 = fmt.Sprintf("%.1f %% at 25 °C", p.RelativeHumidity)
		}
		m.Salts = append(m.Salts, one)
	}
	m.Cautions = calibration.Cautions("")
	if b.Quantity == sensors.RelativeHumidity {
		m.Cautions = nil
		for _, salt := range calibration.Salts() {
			for _, c := range calibration.Cautions(salt) {
				if !slices.Contains(m.Cautions, c) {
					m.Cautions = append(m.Cautions, c)
				}
			}
		}
	}
	for _, r := range s.Values {
		if r.Quantity == sensors.Temperature {
			m.Celsius = fmt.Sprintf("%.1f", r.Value)
		}
	}
	points := make([]chart.Point, 0, len(b.Curve))
	for i := range b.Curve {
		points = append(points, chart.Point{Time: b.Curve[i].Time, Value: &b.Curve[i].Raw})
	}
	m.Curve = chart.TraceOver(points)
}

func benchPath(f *page.Form) string { return sensorPath(sensorID(f)) + "/bench" }

func startBench(f *page.Form) (page.Outcome, error) {
	cmd, err := entry.StartBench(sensorID(f), f.Text("quantity"), f.Text("who"))
	return page.Outcome{Command: cmd, Done: "bench", Back: benchPath(f)}, err
}

func readBench(f *page.Form) (page.Outcome, error) {
	cmd := fold.ReadBench{Sensor: sensorID(f), Who: f.Person()}
	ref := &cmd.Reference
	ref.Kind, ref.Salt = calibration.ReferenceKind(f.Text("kind")), calibration.Salt(f.Text("salt"))
	need := func(field, missing string) {
		if f.Text(field) == "" {
			f.Refuse(field, missing)
		}
	}
	switch ref.Kind {
	case calibration.ReferenceSalt:
		need("celsius", "enter the temperature of the salt in °C: its humidity depends on it")
		ref.Celsius = f.NumberOr("celsius", 0, "temperature of the salt: enter a number")
		ref.CelsiusError = f.NumberOr("celsius_error", 0.5, "uncertainty of that temperature: enter a number")
	case calibration.ReferenceInstrument:
		need("value", "enter what the reference shows")
		ref.Value = f.NumberOr("value", 0, "what the reference shows: enter a number")
		ref.Expanded = f.NumberOr("expanded", 0, "uncertainty of the reference: enter a number")
		ref.Instrument = calibration.Instrument{Name: f.Text("name"), Serial: f.Text("serial"), Certificate: f.Text("certificate")}
		if f.Text("reference_due") != "" {
			ref.Instrument.Due = f.Date("reference_due", time.UTC, "enter a date like 2026-05-14, or leave it empty")
		}
	}
	return page.Outcome{Command: cmd, Done: "read", Back: benchPath(f)}, nil
}

func finishBench(f *page.Form) (page.Outcome, error) {
	cmd := fold.FinishBench{Sensor: sensorID(f), Note: f.Text("note"), Who: f.Person()}
	if f.Text("due") != "" {
		cmd.Due = f.Date("due", f.Zone, "enter a date like 2027-05-14")
	}
	return page.Outcome{Command: cmd, Done: "calibrated", Back: sensorPath(cmd.Sensor)}, nil
}

func leaveBench(f *page.Form) (page.Outcome, error) {
	cmd := fold.LeaveBench{Sensor: sensorID(f), Who: f.Person()}
	return page.Outcome{Command: cmd, Done: "left", Back: sensorPath(cmd.Sensor)}, nil
}

type certificateModel struct {
	calibration.InForce
	Quantity, Unit string
	Position, Room string
}

func buildCertificate(v *page.View, r *http.Request) (page.Content, error) {
	f, err := v.S.Certificate(r.PathValue("number"))
	if err != nil {
		return page.Content{}, err
	}
	series := f.Certificate.Series
	m := certificateModel{InForce: *f, Quantity: strings.ToLower(format.Quantity(series.Quantity)), Unit: series.Quantity.Unit()}
	if s, err := v.S.Sensor(series.Sensor); err == nil {
		m.Position, m.Room = s.Position, v.S.RoomName(s.Room)
	}
	return page.Content{Title: "Calibration certificate " + f.Certificate.Number, Data: m}, nil
}

// TwoSided is the expanded uncertainty at a point.
func (m certificateModel) TwoSided(p calibration.Point) float64 { return 2 * p.Uncertainty }

// Corrected is what the correction makes of a point's reading.
func (m certificateModel) Corrected(p calibration.Point) float64 {
	return m.Certificate.Correction().Apply(p.Reading.Mean)
}
