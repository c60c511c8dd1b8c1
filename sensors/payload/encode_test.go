package payload_test

import (
	"math"
	"strings"

	"google.golang.org/protobuf/encoding/protowire"
)

// encodeB writes a Sparkplug B payload (field numbers from chapter 6 of the
// specification). That it does so rightly is shown by the differential test.
func encodeB(p payloadB) []byte {
	var b []byte
	if p.Timestamp != 0 {
		b = varint(b, 1, p.Timestamp)
	}
	for _, m := range p.Metrics {
		b = protowire.AppendTag(b, 2, protowire.BytesType)
		b = protowire.AppendBytes(b, encodeMetric(m))
	}
	if p.Seq != nil {
		b = varint(b, 3, *p.Seq)
	}
	return b
}

func varint(b []byte, n protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, n, protowire.VarintType), v)
}

func encodeMetric(m metricB) []byte {
	var b []byte
	if m.Name != "" {
		b = protowire.AppendString(protowire.AppendTag(b, 1, protowire.BytesType), m.Name)
	}
	if m.Alias != nil {
		b = varint(b, 2, *m.Alias)
	}
	if m.Timestamp != 0 {
		b = varint(b, 3, m.Timestamp)
	}
	kind, silent := strings.CutPrefix(m.Type, "untold ")
	types := map[string]uint64{"Int8": 1, "Int16": 2, "Int32": 3, "Int64": 4, "UInt8": 5, "UInt16": 6, "UInt32": 7,
		"UInt64": 8, "Float": 9, "Double": 10, "Boolean": 11, "String": 12}
	if !silent {
		b = varint(b, 4, types[kind])
	}
	if m.IsHistorical {
		b = varint(b, 5, 1)
	}
	if m.IsNull {
		return varint(b, 7, 1)
	}
	switch v := m.Value.(type) {
	case int64:
		switch kind {
		case "Int64", "UInt32", "UInt64":
			b = varint(b, 11, uint64(v))
		default:
			b = varint(b, 10, uint64(uint32(v)))
		}
	case float64:
		if kind == "Float" {
			b = protowire.AppendFixed32(protowire.AppendTag(b, 12, protowire.Fixed32Type), math.Float32bits(float32(v)))
		} else {
			b = protowire.AppendFixed64(protowire.AppendTag(b, 13, protowire.Fixed64Type), math.Float64bits(v))
		}
	case bool:
		b = varint(b, 14, protowire.EncodeBool(v))
	case string:
		b = protowire.AppendString(protowire.AppendTag(b, 15, protowire.BytesType), v)
	}
	return b
}
