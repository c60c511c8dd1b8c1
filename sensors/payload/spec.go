package payload

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"rearguard/sensors"
)

// maxValues bounds the quantities of one sensor. Each quantity may appear
// once, so more cannot be valid.
const maxValues = 4

// New compiles spec. The error joins one *SpecError for each fault.
func New(spec Spec) (Decoder, error) {
	fields, faults := checkValues(spec)
	if spec.Time != nil && spec.Format != JSON && slices.Contains(FormatNames(), string(spec.Format)) {
		faults = append(faults, &SpecError{"time", timeNotWanted(spec.Format)})
	}
	var decoder Decoder
	var err error
	switch spec.Format {
	case Plain:
		decoder, err = newPlain(fields)
	case JSON:
		decoder, err = newJSON(spec.Time, fields)
	case SenML:
		decoder, err = newSenML(fields, newSenMLJSON().read)
	case SenMLCBOR:
		decoder, err = newSenML(fields, readCBORRecords)
	case Sparkplug:
		decoder, err = newSparkplug(spec.Topic, fields)
	case Homie:
		decoder, err = newHomie(spec.Topic, fields)
	default:
		err = &SpecError{"format", fmt.Sprintf("unknown format %q (want %s)", spec.Format, strings.Join(FormatNames(), ", "))}
	}
	if err = errors.Join(append(faults, err)...); err != nil {
		return nil, err
	}
	return decoder, nil
}

func timeNotWanted(format Format) string {
	if format == Plain {
		return "a plain number carries no time; leave this out"
	}
	return string(format) + " defines its own time; leave this out"
}

// field is a checked ValueSpec.
type field struct {
	quantity sensors.Quantity
	at       string
	unit     unit
	// stated is set when the configuration names the unit.
	stated bool
}

func checkValues(spec Spec) ([]field, []error) {
	var faults []error
	if len(spec.Values) == 0 {
		faults = append(faults, &SpecError{"values", "no value is taken from the message; name at least one quantity"})
	}
	if len(spec.Values) > maxValues {
		faults = append(faults, &SpecError{"values", fmt.Sprintf("%d values, more than there are quantities (%d)", len(spec.Values), maxValues)})
		return nil, faults
	}
	fields := make([]field, 0, len(spec.Values))
	for i, v := range spec.Values {
		path := fmt.Sprintf("values[%d].", i)
		if v.Quantity.Unit() == "" {
			faults = append(faults, &SpecError{path + "quantity", "no quantity given (want temperature, humidity, battery or signal)"})
			continue
		}
		for _, earlier := range fields {
			if earlier.quantity == v.Quantity {
				faults = append(faults, &SpecError{path + "quantity", fmt.Sprintf("%s is given twice", v.Quantity)})
			}
		}
		name := v.Unit
		if name == "" {
			name = v.Quantity.Unit()
		}
		u, ok := parseUnit(v.Quantity, name)
		if !ok {
			faults = append(faults, &SpecError{path + "unit",
				fmt.Sprintf("unknown unit %q for %s (want %s)", v.Unit, v.Quantity, strings.Join(Units(v.Quantity), ", "))})
		}
		fields = append(fields, field{quantity: v.Quantity, at: v.At, unit: u, stated: v.Unit != ""})
	}
	return fields, faults
}
