package api

import (
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
	"rearguard/sensors/unclaimed"
)

// Finding is one complaint about a sensor.
type Finding struct {
	Quantity string     `json:"quantity,omitempty" doc:"absent when it is about the device as a whole"`
	Check    string     `json:"check"`
	Flag     int        `json:"flag,omitempty" doc:"QARTOD flag it gives to readings: 3 suspect, 4 fail; absent for a complaint about the device"`
	Text     string     `json:"text"`
	Since    *time.Time `json:"since,omitempty"`
}

func findingOf(f *desk.FindingView) Finding {
	return Finding{quantityOf(f.Quantity), string(f.Check), int(f.Flag), f.Text, instant(f.Since)}
}

// quantityOf is empty for no quantity.
func quantityOf(q sensors.Quantity) string {
	if q == 0 {
		return ""
	}
	return q.String()
}

// Unclaimed is a topic that no sensor claims.
type Unclaimed struct {
	Topic    string           `json:"topic"`
	Format   string           `json:"format,omitempty" doc:"guessed; absent when the messages hold no number"`
	Fields   []UnclaimedField `json:"fields"`
	First    time.Time        `json:"first_seen"`
	Last     time.Time        `json:"last_seen"`
	Messages uint64           `json:"messages"`
	Interval *float64         `json:"interval_seconds,omitempty" doc:"mean time between messages; absent after a single one"`
	Payloads []Payload        `json:"payloads"`
}

// UnclaimedField is one number in the messages of an unclaimed topic.
type UnclaimedField struct {
	At       string  `json:"at" doc:"where in the message, as in the configuration"`
	Quantity string  `json:"quantity,omitempty" doc:"guessed; absent when nothing tells it"`
	Unit     string  `json:"unit,omitempty"`
	Stated   bool    `json:"unit_stated" doc:"true when the message itself names the unit"`
	Value    float64 `json:"value" doc:"the newest number as it was sent"`
}

// Payload is the start of one message.
type Payload struct {
	Time    time.Time `json:"time"`
	Topic   string    `json:"topic"`
	Excerpt string    `json:"excerpt" doc:"start of the payload, escaped and in quotes"`
}

func unclaimedOf(v *unclaimed.TopicView) Unclaimed {
	u := Unclaimed{
		Topic: v.Topic, Format: string(v.Format), First: v.First, Last: v.Last, Messages: v.Count,
		Fields: each(v.Fields, func(f *unclaimed.FieldView) UnclaimedField {
			return UnclaimedField{f.At, quantityOf(f.Quantity), f.Unit, f.Sure, f.Value}
		}),
		Payloads: each(v.Payloads, func(p *unclaimed.Excerpt) Payload { return Payload(*p) }),
	}
	if v.PerMinute > 0 {
		seconds := 60 / v.PerMinute
		u.Interval = &seconds
	}
	return u
}

// Calibration is one calibration of one series.
type Calibration struct {
	Number    string    `json:"number"`
	Sensor    string    `json:"sensor"`
	Quantity  string    `json:"quantity"`
	HoldsFrom time.Time `json:"holds_from"`
	Overruled bool      `json:"overruled"`
	At        time.Time `json:"calibrated"`
	Due       time.Time `json:"due"`
	By        string    `json:"by"`
	Gain      float64   `json:"gain_ratio"`
	// Offset and uncertainty are in the quantity's unit, one pair of the two.
	OffsetC      *float64 `json:"offset_celsius,omitempty"`
	UncertaintyC *float64 `json:"expanded_uncertainty_celsius,omitempty" doc:"k = 2"`
	OffsetP      *float64 `json:"offset_ratio,omitempty" doc:"of relative humidity, 0.01 is one percent"`
	UncertaintyP *float64 `json:"expanded_uncertainty_ratio,omitempty" doc:"k = 2, of relative humidity"`
}

func calibrationOf(f *calibration.InForce) Calibration {
	c := &f.Certificate
	out := Calibration{
		Number: c.Number, Sensor: string(c.Series.Sensor), Quantity: c.Series.Quantity.String(), HoldsFrom: f.Holds,
		Overruled: f.Overruled, At: c.At, Due: c.Due, By: c.By, Gain: c.Result.Gain,
	}
	offset, uncertainty := c.Result.Offset, c.Result.Uncertainty()
	if c.Series.Quantity == sensors.RelativeHumidity {
		out.OffsetP, out.UncertaintyP = scaled(&offset, 0.01), scaled(&uncertainty, 0.01)
	} else {
		out.OffsetC, out.UncertaintyC = &offset, &uncertainty
	}
	return out
}

// ReapplyBody asks for a calibration to hold from an earlier time on.
type ReapplyBody struct {
	Quantity string    `json:"quantity" doc:"temperature or humidity"`
	From     time.Time `json:"from" doc:"from when on the newest calibration is to hold"`
	Who      string    `json:"who"`
}
