package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

type benchModel struct {
	Sensor sensorModel
	Bench  *daemon.BenchView
	// Quantities can be calibrated; Choice is the first.
	Quantities []sensors.Quantity
	Salts      []saltModel
	Cautions   []string
	// Celsius is what the sensor itself says of the vessel's temperature.
	Celsius string
	// Curve is the raw readings as an SVG polyline in a box of 600 by 140.
	Curve     string
	Low, High string
	Unit      string
	// Percent of the window watched.
	Watched int
	Due     string
	// Others in the room, when this one is on the bench.
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

func benchPage(v *view, r *http.Request) (pageSpec, error) {
	s, err := entry.FindSensor(v.S, sensors.SensorID(r.PathValue("id")))
	if err != nil {
		return pageSpec{}, err
	}
	m := benchModel{Sensor: sensorOf(v, s), Bench: s.Bench, Due: v.S.Time.In(v.Loc).AddDate(0, calibration.DefaultDueMonths, 0).Format(time.DateOnly)}
	for _, one := range s.Series {
		if one.Quantity == sensors.Temperature || one.Quantity == sensors.RelativeHumidity {
			m.Quantities = append(m.Quantities, one.Quantity)
		}
	}
	for i := range v.S.Rooms {
		if v.S.Rooms[i].ID == s.Room && s.Room != "" {
			m.Others = v.S.Rooms[i].TotalSensors - 1
		}
	}
	if m.Bench != nil {
		m.fill(s)
	} else {
		m.Cautions = append(calibration.Cautions(""), calibration.Cautions(calibration.SodiumChloride)[1:]...)
	}
	return pageSpec{Title: "Calibrate " + string(s.ID), Data: m, Sections: []sectionSpec{{"bench", true}, {"bench-forms", false}}}, nil
}

func (m *benchModel) fill(s *daemon.SensorView) {
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
	if b.Quantity == sensors.Temperature {
		m.Cautions = calibration.Cautions("")
	} else {
		seen := map[string]bool{}
		for _, salt := range calibration.Salts() {
			for _, c := range calibration.Cautions(salt) {
				if !seen[c] {
					seen[c] = true
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
	m.draw()
}

// draw makes the curve of the raw readings, at least a unit high so that noise
// does not fill the box.
func (m *benchModel) draw() {
	c := m.Bench.Curve
	if len(c) < 2 {
		return
	}
	low, high := c[0].Raw, c[0].Raw
	for _, p := range c {
		low, high = min(low, p.Raw), max(high, p.Raw)
	}
	if pad := (1 - (high - low)) / 2; pad > 0 {
		low, high = low-pad, high+pad
	}
	var b strings.Builder
	first, whole := c[0].Time, c[len(c)-1].Time.Sub(c[0].Time)
	for _, p := range c {
		fmt.Fprintf(&b, "%.1f,%.1f ", 600*float64(p.Time.Sub(first))/float64(whole), 135-130*(p.Raw-low)/(high-low))
	}
	m.Curve, m.Low, m.High = strings.TrimSpace(b.String()), fmt.Sprintf("%.1f", low), fmt.Sprintf("%.1f", high)
}

func (f form) sensor() sensors.SensorID { return sensors.SensorID(f.r.PathValue("id")) }

func (f form) benchPath() string {
	return "/sensors/" + url.PathEscape(string(f.sensor())) + "/bench"
}

func postStartBench(f form) (outcome, builder, error) {
	cmd, err := entry.StartBench(f.sensor(), f.get("quantity"), f.get("who"))
	return outcome{cmd, cmd.Who, "bench", f.benchPath()}, benchPage, err
}

func postReadBench(f form) (outcome, builder, error) {
	who, err := entry.Who(f.get("who"))
	if err != nil {
		return outcome{}, benchPage, err
	}
	ref := daemon.Reference{Kind: f.get("kind"), Salt: calibration.Salt(f.get("salt"))}
	number := func(field, what string, into *float64) {
		text := f.get(field)
		if text == "" || err != nil {
			return
		}
		var bad error
		if *into, bad = decimal(text); bad != nil {
			err = &entry.FieldError{Field: field, Reason: what + ": enter a number"}
		}
	}
	switch ref.Kind {
	case daemon.ReferenceSalt:
		if f.get("celsius") == "" {
			return outcome{}, benchPage, &entry.FieldError{Field: "celsius", Reason: "enter the temperature of the salt in °C: its humidity depends on it"}
		}
		ref.CelsiusError = 0.5
		number("celsius", "temperature of the salt", &ref.Celsius)
		number("celsius_error", "uncertainty of that temperature", &ref.CelsiusError)
	case daemon.ReferenceInstrument:
		if f.get("value") == "" {
			return outcome{}, benchPage, &entry.FieldError{Field: "value", Reason: "enter what the reference shows"}
		}
		number("value", "what the reference shows", &ref.Value)
		number("expanded", "uncertainty of the reference", &ref.Expanded)
		ref.Instrument = calibration.Instrument{Name: f.get("name"), Serial: f.get("serial"), Certificate: f.get("certificate")}
		if due := f.get("reference_due"); due != "" && err == nil {
			if ref.Instrument.Due, err = time.Parse(time.DateOnly, due); err != nil {
				err = &entry.FieldError{Field: "reference_due", Reason: "enter a date like 2026-05-14, or leave it empty"}
			}
		}
	}
	cmd := daemon.ReadBench{Sensor: f.sensor(), Reference: ref, Who: who}
	return outcome{cmd, who, "read", f.benchPath()}, benchPage, err
}

func postFinishBench(f form) (outcome, builder, error) {
	who, err := entry.Who(f.get("who"))
	if err != nil {
		return outcome{}, benchPage, err
	}
	cmd := daemon.FinishBench{Sensor: f.sensor(), Note: f.get("note"), Who: who}
	if due := f.get("due"); due != "" {
		if cmd.Due, err = time.ParseInLocation(time.DateOnly, due, f.Loc); err != nil {
			err = &entry.FieldError{Field: "due", Reason: "enter a date like 2027-05-14"}
		}
	}
	return outcome{cmd, who, "calibrated", "/sensors/" + url.PathEscape(string(f.sensor()))}, benchPage, err
}

func postLeaveBench(f form) (outcome, builder, error) {
	who, err := entry.Who(f.get("who"))
	return outcome{daemon.LeaveBench{Sensor: f.sensor(), Who: who}, who, "left", "/sensors/" + url.PathEscape(string(f.sensor()))}, benchPage, err
}

func postReapply(f form) (outcome, builder, error) {
	from, err := f.when("from")
	if err != nil {
		return outcome{}, sensorPage, err
	}
	cmd, err := entry.Reapply(f.sensor(), f.get("quantity"), from, f.get("who"))
	return outcome{cmd, cmd.Who, "reapplied", "/sensors/" + url.PathEscape(string(f.sensor()))}, sensorPage, err
}

type certificateModel struct {
	daemon.InForce
	Quantity, Unit string
	Position, Room string
	Source         []string
}

func certificatePage(v *view, r *http.Request) (pageSpec, error) {
	number := r.PathValue("number")
	for _, f := range v.S.Certificates {
		if f.Certificate.Number != number {
			continue
		}
		q := f.Certificate.Series.Quantity
		m := certificateModel{InForce: f, Quantity: strings.ToLower(quantityName(q)), Unit: q.Unit()}
		if s, err := entry.FindSensor(v.S, f.Certificate.Series.Sensor); err == nil {
			m.Position, m.Room = s.Position, v.roomName(s.Room)
		}
		return pageSpec{Title: "Calibration certificate " + number, Data: m, Sections: []sectionSpec{{"certificate", false}}}, nil
	}
	return pageSpec{}, fmt.Errorf("certificate %q is %w", number, entry.ErrUnknown)
}

// TwoSided is the expanded uncertainty at a point.
func (m certificateModel) TwoSided(p calibration.Point) float64 { return 2 * p.Uncertainty }

// Corrected is what the correction makes of a point's reading.
func (m certificateModel) Corrected(p calibration.Point) float64 {
	return m.Certificate.Correction().Apply(p.Reading.Mean)
}
