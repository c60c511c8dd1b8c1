package payload

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protowire"

	"rearguard/sensors"
)

// Guess is what the messages of an unknown topic look like.
type Guess struct {
	Format Format
	// Topic is the topic to configure the sensor with: the message's own, or
	// the device's for Sparkplug and Homie.
	Topic string
	// Time is where the event time seems to be, nil if nowhere.
	Time *TimeSpec
	// Fields are the numbers of the message, those that look like a quantity
	// first.
	Fields []GuessedField
}

// GuessedField is one number in a message.
type GuessedField struct {
	// At is what ValueSpec.At would be.
	At string
	// Quantity is zero when nothing tells it. Unit is never empty beside a
	// quantity; Sure is set when the payload itself states it.
	Quantity sensors.Quantity
	Unit     string
	Sure     bool
	// Value is the number as it was sent.
	Value float64
}

// maxGuessed bounds the fields of one guess.
const maxGuessed = 24

// ClaimTopic returns the topic under which all messages of the device that
// sent one on topic are known: topic itself but for Sparkplug and Homie. It is
// false for messages that no device sends.
func ClaimTopic(topic string) (string, bool) {
	parts := strings.Split(topic, "/")
	switch {
	case parts[0] == sparkplugNamespace:
		if len(parts) < 4 || len(parts) > 5 || parts[2] == "NCMD" || parts[2] == "DCMD" || parts[1] == "STATE" {
			return "", false
		}
		return strings.Join(append([]string{parts[0], parts[1], "+"}, parts[3:]...), "/"), true
	case parts[0] == "homie" && len(parts) >= 4 && parts[1] == "5":
		return strings.Join(parts[:3], "/"), parts[len(parts)-1] != "set"
	case parts[0] == "homie" && len(parts) >= 3 && parts[1] != "5":
		return strings.Join(parts[:2], "/"), parts[len(parts)-1] != "set"
	}
	return topic, true
}

// Recognize guesses format, quantities and units of a message from its topic
// and body. It is false when the message has no number, or none that a decoder
// of this package could read.
func Recognize(topic string, body []byte) (Guess, bool) {
	claim, ok := ClaimTopic(topic)
	if !ok || len(body) == 0 {
		return Guess{}, false
	}
	g := Guess{Topic: claim}
	switch {
	case strings.HasPrefix(topic, sparkplugNamespace+"/"):
		g.Format = Sparkplug
		g.Fields = guessSparkplug(body)
	case claim != topic:
		g.Format = Homie
		g.Fields = guessHomie(strings.TrimPrefix(topic, claim+"/"), body)
	default:
		g.guessBody(topic, body)
	}
	slices.SortStableFunc(g.Fields, func(a, b GuessedField) int { return rank(a) - rank(b) })
	g.Fields = g.Fields[:min(len(g.Fields), maxGuessed)]
	return g, len(g.Fields) > 0
}

// rank puts quantities in their order and numbers of unknown meaning last.
func rank(f GuessedField) int {
	if f.Quantity == 0 {
		return math.MaxInt8
	}
	return int(f.Quantity)
}

func (g *Guess) guessBody(topic string, body []byte) {
	if v, reason := parseNumber(body); reason == "" {
		g.Format, g.Fields = Plain, []GuessedField{guessField("", lastLevels(topic), v)}
		return
	}
	if fields, err := guessSenML(newSenMLJSON().read, body); err == nil && len(fields) > 0 {
		g.Format, g.Fields = SenML, fields
		return
	}
	if fields, err := guessSenML(readCBORRecords, body); err == nil && len(fields) > 0 {
		g.Format, g.Fields = SenMLCBOR, fields
		return
	}
	// The scanner bounds the nesting before encoding/json sees it.
	if (&scanner{doc: body}).scan(nil) != nil {
		return
	}
	var doc any
	d := json.NewDecoder(strings.NewReader(string(body)))
	d.UseNumber()
	if d.Decode(&doc) != nil {
		return
	}
	g.Format = JSON
	g.walk(doc, "", "")
}

// lastLevels is the part of a topic that may name a quantity.
func lastLevels(topic string) string {
	parts := strings.Split(topic, "/")
	return strings.Join(parts[max(0, len(parts)-2):], "/")
}

// walk collects the numbers of a JSON document.
func (g *Guess) walk(v any, at, name string) {
	if len(g.Fields) >= 2*maxGuessed {
		return
	}
	switch v := v.(type) {
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			g.walk(v[k], at+"/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(k), name+"/"+k)
		}
	case []any:
		for i, x := range v {
			g.walk(x, at+"/"+strconv.Itoa(i), name)
		}
	case json.Number:
		g.leaf(v.String(), at, name)
	case string:
		if unit := guessTime(v, at, name); unit == "rfc3339" {
			g.setTime(at, unit)
			return
		}
		g.leaf(v, at, name)
	}
}

func (g *Guess) setTime(at, unit string) {
	if g.Time == nil {
		g.Time = &TimeSpec{At: at, Unit: unit}
	}
}

func (g *Guess) leaf(text, at, name string) {
	v, reason := parseNumber([]byte(text))
	if reason != "" {
		return
	}
	if unit := guessTime(text, at, name); unit != "" {
		g.setTime(at, unit)
		return
	}
	g.Fields = append(g.Fields, guessField(at, name, v))
}

// guessTime tells whether a value is an event time, and in which unit.
func guessTime(text, at, name string) string {
	words := split(name)
	if at == "" || len(words) == 0 || !slices.Contains([]string{"ts", "time", "timestamp", "t", "date", "datetime", "utc", "epoch"}, words[len(words)-1]) {
		return ""
	}
	if _, err := time.Parse(time.RFC3339, text); err == nil {
		return "rfc3339"
	}
	v, err := strconv.ParseFloat(text, 64)
	// From the year 2001 on, in each unit.
	switch {
	case err != nil || v < 1e9:
		return ""
	case v < 1e11:
		return "s"
	case v < 1e14:
		return "ms"
	case v < 1e17:
		return "us"
	case v < 1e20:
		return "ns"
	}
	return ""
}

// split cuts a name into lower-case words, also at changes of case.
func split(name string) []string {
	var b strings.Builder
	lower := false
	for _, r := range name {
		if r >= 'A' && r <= 'Z' {
			if lower {
				b.WriteByte(' ')
			}
			lower = false
		} else {
			lower = r >= 'a' && r <= 'z'
		}
		b.WriteRune(r)
	}
	return strings.FieldsFunc(strings.ToLower(b.String()), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '°' || r == '%')
	})
}

// guessField guesses what a number means from its name and size.
func guessField(at, name string, v float64) GuessedField {
	f := GuessedField{At: at, Value: v}
	words := split(name)
	has := func(starts ...string) bool {
		for _, w := range words {
			for _, s := range starts {
				if strings.HasPrefix(w, s) {
					return true
				}
			}
		}
		return false
	}
	last := ""
	if len(words) > 0 {
		last = words[len(words)-1]
	}
	is := func(names ...string) bool { return slices.Contains(names, last) }
	switch {
	case has("dew", "setpoint", "target", "min", "max", "pressure", "volt", "co2", "offset"):
	case has("hum", "rh", "moist") || is("h"):
		f.humidity(v)
	case has("temp", "celsius", "fahrenheit", "kelvin") || is("t", "ta", "tc", "tf"):
		f.temperature(v, words)
	case has("batt") || is("bat", "soc"):
		if v >= 0 && v <= 100 && (v > 5 || v == math.Trunc(v)) {
			f.Quantity, f.Unit = sensors.Battery, "%"
		}
	case has("rssi", "dbm", "signal"):
		if v < 0 && v > -150 {
			f.Quantity, f.Unit = sensors.SignalStrength, "dBm"
		}
	}
	return f
}

func (f *GuessedField) humidity(v float64) {
	switch {
	case v > 0 && v < 1:
		f.Quantity, f.Unit = sensors.RelativeHumidity, "ratio"
	case v >= 0 && v <= 110:
		f.Quantity, f.Unit = sensors.RelativeHumidity, "%"
	}
}

func (f *GuessedField) temperature(v float64, words []string) {
	last := words[len(words)-1]
	switch {
	case last == "f" || last == "tf" || slices.Contains(words, "fahrenheit"):
		f.Quantity, f.Unit = sensors.Temperature, "°F"
	case last == "k" || slices.Contains(words, "kelvin") || v > 250 && v < 350:
		f.Quantity, f.Unit = sensors.Temperature, "K"
	case v > 52 && v < 120:
		// No rearing room is that warm in degrees Celsius.
		f.Quantity, f.Unit = sensors.Temperature, "°F"
	case v >= -45 && v <= 120:
		f.Quantity, f.Unit = sensors.Temperature, "°C"
	}
}

func guessSenML(read func([]byte, func(*senMLRecord) error) error, body []byte) ([]GuessedField, error) {
	var base senMLBase
	var fields []GuessedField
	err := read(body, func(r *senMLRecord) error {
		resolved := base.resolve(r)
		if math.IsNaN(resolved.value) || r.valueFault != "" || checkSenMLName(resolved.name) != "" || len(fields) >= maxGuessed {
			return nil
		}
		f := guessField(resolved.name, lastName(resolved.name), resolved.value)
		f.state(resolved.unit)
		if i := slices.IndexFunc(fields, func(o GuessedField) bool { return o.At == f.At }); i >= 0 {
			fields[i] = f
			return nil
		}
		fields = append(fields, f)
		return nil
	})
	return fields, err
}

// lastName is what follows the last colon of a SenML name.
func lastName(name string) string { return name[strings.LastIndexByte(name, ':')+1:] }

// state takes a unit that the payload itself names.
func (f *GuessedField) state(unit string) {
	if unit == "" {
		return
	}
	q := sensors.Quantity(0)
	switch unit {
	case "Cel", "K", "°C", "°F", "degC", "degF":
		q = sensors.Temperature
	case "%RH":
		q = sensors.RelativeHumidity
	case "%EL":
		q = sensors.Battery
	case "dBm":
		q = sensors.SignalStrength
	case "%", "/":
		q = f.Quantity
	}
	if q == 0 {
		f.Quantity, f.Unit = 0, ""
		return
	}
	if u, ok := parseUnit(q, unit); ok {
		f.Quantity, f.Unit, f.Sure = q, unitName(q, u), true
	}
}

// unitName is the name of a unit as Units has it.
func unitName(q sensors.Quantity, u unit) string {
	switch u {
	case fahrenheit:
		return "°F"
	case kelvin:
		return "K"
	case ratio:
		return "ratio"
	}
	return q.Unit()
}

func guessSparkplug(body []byte) []GuessedField {
	var fields []GuessedField
	err := eachField(body, func(n protowire.Number, _ uint64, b []byte) error {
		if n != payloadMetrics || len(fields) >= maxGuessed {
			return nil
		}
		m, err := readMetric(b)
		if err != nil {
			return err
		}
		name := string(m.name)
		if name == "" || name == "bdSeq" || strings.HasPrefix(name, "Node Control/") || strings.HasPrefix(name, "Device Control/") {
			return nil
		}
		var any field
		v, fault := any.number(&m, m.datatype)
		if fault != nil {
			return nil //nolint:nilerr // what is no number is not offered
		}
		fields = append(fields, guessField(name, name, v))
		return nil
	})
	if err != nil {
		return nil
	}
	return fields
}

// guessHomie guesses a property's value; attributes are no values.
func guessHomie(property string, body []byte) []GuessedField {
	if strings.Contains(property, "$") || strings.Count(property, "/") != 1 {
		return nil
	}
	v, reason := parseNumber(body)
	if reason != "" {
		return nil
	}
	return []GuessedField{guessField(property, property, v)}
}
