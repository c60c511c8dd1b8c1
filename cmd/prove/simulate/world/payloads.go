package world

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// Topic is where the sensor publishes its values.
func (s *Sensor) Topic() string {
	switch s.Plan.Form {
	case SparkplugForm:
		return fmt.Sprintf("spBv1.0/sim/DDATA/node-%d/%s", s.Index, s.id0())
	case homieForm:
		return fmt.Sprintf("homie/5/%s/air/temperature", s.id0())
	}
	return "sim/" + s.id0()
}

// id0 is the name the device has on the network, whatever it is called in the
// configuration.
func (s *Sensor) id0() string { return string(SensorID(s.Index)) }

// Input is the sensor's input in the configuration.
func (s *Sensor) Input() string {
	switch s.Plan.Form {
	case fahrenheitForm:
		return fmt.Sprintf(`{topic: %s, format: plain, values: [{quantity: temperature, unit: "°F"}]}`, s.Topic())
	case JSONForm:
		return fmt.Sprintf(`{topic: %s, format: json, time: {at: /ts, unit: ms}, values: [{quantity: temperature, at: /t, unit: "°C"}, {quantity: humidity, at: /h, unit: "%%"}]}`, s.Topic())
	case senmlForm:
		return fmt.Sprintf(`{topic: %s, format: senml, values: [{quantity: temperature, at: "urn:sim:%s:t"}]}`, s.Topic(), s.id0())
	case SparkplugForm:
		return fmt.Sprintf(`{topic: spBv1.0/sim/+/node-%d/%s, format: sparkplug, values: [{quantity: temperature, at: Air/Temperature, unit: "°C"}]}`, s.Index, s.id0())
	case homieForm:
		return fmt.Sprintf(`{topic: homie/5/%s, format: homie, values: [{quantity: temperature, at: air/temperature}]}`, s.id0())
	}
	return fmt.Sprintf(`{topic: %s, format: plain, values: [{quantity: temperature, unit: "°C"}]}`, s.Topic())
}

// Habit is when the sensor reports, in the configuration.
func (s *Sensor) Habit() string {
	if s.Plan.Form == ChangeForm {
		return fmt.Sprintf("reports: on-change, interval: 24h, availability: {topic: %s/there}", s.Topic())
	}
	return fmt.Sprintf("interval: %dm", s.Plan.Interval)
}

// encode writes a value in °C as the sensor does.
func (s *Sensor) encode(v float64, at time.Time) []byte {
	switch s.Plan.Form {
	case fahrenheitForm:
		return fmt.Appendf(nil, "%.9f", v*9/5+32)
	case JSONForm:
		return fmt.Appendf(nil, `{"ts":%d,"t":%.5f,"h":%.1f}`, at.UnixMilli(), v, 55+5*math.Sin(float64(s.count)/50))
	case senmlForm:
		return fmt.Appendf(nil, `[{"bn":"urn:sim:%s:","bt":%d,"n":"t","u":"Cel","v":%.5f}]`, s.id0(), at.Unix(), v)
	case SparkplugForm:
		return s.sparkplug(at, metric{alias: 7, at: at, value: &v})
	case homieForm:
		return fmt.Appendf(nil, "%.9f", v*9/5+32)
	}
	return fmt.Appendf(nil, "%.5f", v)
}

// births are what must be published before a value means anything.
func (s *Sensor) births(at time.Time) []*Message {
	if s.Born {
		return nil
	}
	s.Born = true
	switch s.Plan.Form {
	case SparkplugForm:
		s.seq, s.session = 255, s.session+1
		bd := float64(s.session)
		return []*Message{
			{Topic: fmt.Sprintf("spBv1.0/sim/NBIRTH/node-%d", s.Index), Body: s.sparkplug(at, metric{name: "bdSeq", at: at, whole: uint64(bd)})},
			{Birth: s, Topic: fmt.Sprintf("spBv1.0/sim/DBIRTH/node-%d/%s", s.Index, s.id0()),
				Body: s.sparkplug(at, metric{name: "Air/Temperature", alias: 7, at: at, kind: sparkplugDouble})},
		}
	case homieForm:
		base := "homie/5/" + s.id0()
		return []*Message{
			{Retained: true, Topic: base + "/$description", Body: []byte(`{"homie":"5.0","version":1,"nodes":{"air":{"properties":{"temperature":{"datatype":"float","unit":"°F"}}}}}`)},
			{Retained: true, Topic: base + "/$state", Body: []byte("ready")},
		}
	}
	return nil
}

// metric is one metric of a Sparkplug payload.
type metric struct {
	name  string
	alias uint64
	at    time.Time
	kind  uint64
	value *float64
	whole uint64
}

// Field numbers and types of the Sparkplug B schema.
const (
	sparkplugInt64  = 4
	sparkplugDouble = 10
)

// sparkplug writes a payload with the next sequence number.
func (s *Sensor) sparkplug(at time.Time, m metric) []byte {
	s.seq++
	number := func(b []byte, n protowire.Number, v uint64) []byte {
		return protowire.AppendVarint(protowire.AppendTag(b, n, protowire.VarintType), v)
	}
	var body []byte
	if m.name != "" {
		body = protowire.AppendString(protowire.AppendTag(body, 1, protowire.BytesType), m.name)
	}
	if m.alias != 0 {
		body = number(body, 2, m.alias)
	}
	body = number(body, 3, uint64(m.at.UnixMilli()))
	switch {
	case m.value != nil:
		body = protowire.AppendFixed64(protowire.AppendTag(body, 13, protowire.Fixed64Type), math.Float64bits(*m.value))
	case m.kind == sparkplugDouble:
		body = number(number(body, 4, m.kind), 7, 1)
	default:
		body = number(number(body, 4, sparkplugInt64), 11, m.whole)
	}
	out := number(nil, 1, uint64(at.UnixMilli()))
	out = protowire.AppendBytes(protowire.AppendTag(out, 2, protowire.BytesType), body)
	return number(out, 3, uint64(s.seq))
}
