package payload

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// homie decodes a device that follows the Homie convention (versions 3, 4 and
// 5): each property is a topic of its own whose message is a plain value, and
// the device says in $state how it is. Units come from the device, in $unit
// (3, 4) or in the JSON of $description (5), where the configuration names
// none; until then a value that can be in several units is not understood.
// Properties are retained, so most values are seen again after each
// connection.
type homie struct {
	device   string
	fields   []field
	presence Presence
	// said are the units that the device has stated, by field; empty for none.
	said []string
	// refused is set when a value came before its unit.
	refused bool
}

func newHomie(topic string, fields []field) (Decoder, error) {
	device := strings.TrimSuffix(strings.TrimSuffix(topic, "#"), "/")
	var faults []error
	if device == "" || strings.ContainsAny(device, "+#$") || !strings.Contains(device, "/") {
		faults = append(faults, &SpecError{"topic", "the topic of a Homie device is wanted, as in \"homie/5/nursery-north\" or \"homie/nursery-north\""})
	}
	for i, f := range fields {
		node, property, ok := strings.Cut(f.at, "/")
		if !ok || node == "" || property == "" || strings.ContainsAny(f.at, "+#$") || strings.Contains(property, "/") {
			faults = append(faults, &SpecError{fmt.Sprintf("values[%d].at", i), "a node and a property are wanted, as in \"air/temperature\""})
		}
	}
	return &homie{device: device, fields: fields, said: make([]string, len(fields))}, errors.Join(faults...)
}

// Filters returns the topics of the wanted properties, of their units and of
// the device's state.
func (d *homie) Filters() []string {
	filters := []string{d.device + "/$state", d.device + "/$description"}
	for _, f := range d.fields {
		filters = append(filters, d.device+"/"+f.at, d.device+"/"+f.at+"/$unit")
	}
	return filters
}

// Presence follows the device's state, in which its last will speaks too.
func (d *homie) Presence() Presence { return d.presence }

func (d *homie) Decode(topic string, body []byte, _ time.Time) ([]Measurement, error) {
	rest, ok := strings.CutPrefix(topic, d.device+"/")
	if !ok {
		return nil, nil
	}
	if !utf8.Valid(body) {
		return nil, &Error{Kind: Undecodable, At: rest, Reason: "not text: invalid UTF-8 in " + excerpt(body)}
	}
	switch rest {
	case "$state":
		return nil, d.state(string(body))
	case "$description":
		return nil, d.describe(body)
	}
	for i := range d.fields {
		f := &d.fields[i]
		switch rest {
		case f.at:
			return d.value(i, body)
		case f.at + "/$unit":
			return nil, d.learn(i, string(body))
		}
	}
	return nil, nil
}

// state notes a device's life cycle. A sleeping device is there: it wakes by
// itself.
func (d *homie) state(state string) error {
	switch state {
	case "init", "ready", "sleeping", "alert":
		d.presence = Here
	case "disconnected", "lost":
		d.presence = Gone
	case "":
		d.presence = Unknown // the device was removed
	default:
		return &Error{Kind: Undecodable, At: "$state", Reason: "unknown state " + excerpt([]byte(state))}
	}
	return nil
}

// value reads a property. A device says °F as readily as °C, so nothing is
// taken for granted before it has said which.
func (d *homie) value(i int, body []byte) ([]Measurement, error) {
	f := &d.fields[i]
	if len(body) == 0 {
		return nil, &Error{Kind: Empty, Quantity: f.quantity, At: f.at, Reason: "empty message"}
	}
	v, reason := parseNumber(body)
	if reason != "" {
		return nil, f.fault(NotANumber, reason)
	}
	if !d.understood(i) {
		d.refused = true
		return nil, f.fault(Unresolved, "the device has not stated the unit yet; where it never does, give unit: in the configuration")
	}
	m, fault := f.measure(v, f.unit)
	if fault != nil {
		return nil, fault
	}
	return []Measurement{m}, nil
}

// understood reports whether the unit of a field is known.
func (d *homie) understood(i int) bool {
	f := &d.fields[i]
	return f.stated || d.said[i] != "" || len(Units(f.quantity)) == 1
}

// learn takes the unit that the device states, unless the configuration has
// named one.
func (d *homie) learn(i int, name string) error {
	f := &d.fields[i]
	if f.stated || name == "" {
		return nil
	}
	d.said[i] = name
	d.refused = d.refused && d.Missing() != ""
	u, ok := parseUnit(f.quantity, name)
	if !ok {
		f.unit = unsupported
		return f.fault(BadUnit, fmt.Sprintf("the device states the unit %s, which is none of %s", excerpt([]byte(name)), f.quantity))
	}
	f.unit = u
	return nil
}

// homieMemory is what must outlive a restart: the units come when a device
// connects, and when rearguard subscribes, which is after what the broker has
// kept for it.
type homieMemory struct {
	Units    map[string]string `json:"units,omitempty"`
	Presence Presence          `json:"presence"`
	Refused  bool              `json:"refused,omitempty"`
}

// Memory is what the device has said of itself.
func (d *homie) Memory() ([]byte, error) {
	m := homieMemory{make(map[string]string), d.presence, d.refused}
	for i := range d.fields {
		if d.said[i] != "" {
			m.Units[d.fields[i].at] = d.said[i]
		}
	}
	return json.Marshal(m)
}

// Recall takes up what the device has said of itself.
func (d *homie) Recall(memory []byte) error {
	var m homieMemory
	if err := json.Unmarshal(memory, &m); err != nil {
		return err
	}
	d.presence, d.refused = m.Presence, m.Refused
	for i := range d.fields {
		// A unit that is none was complained of when it came.
		_ = d.learn(i, m.Units[d.fields[i].at])
	}
	return nil
}

// Missing is the unit of a value that came without one.
func (d *homie) Missing() string {
	if !d.refused {
		return ""
	}
	for i := range d.fields {
		if !d.understood(i) {
			return fmt.Sprintf("%s has no unit: the device has not stated one; where it never does, give unit: in the configuration", d.fields[i].quantity)
		}
	}
	return ""
}

// homieDescription is the part of $description that matters here. The
// convention holds nodes and properties as objects by id; a draft had arrays.
type homieDescription struct {
	Nodes homieItems `json:"nodes"`
}

type homieItem struct {
	ID         string     `json:"id"`
	Unit       string     `json:"unit"`
	Properties homieItems `json:"properties"`
}

type homieItems map[string]homieItem

func (items *homieItems) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '[' {
		var list []homieItem
		if err := json.Unmarshal(b, &list); err != nil {
			return err
		}
		*items = homieItems{}
		for _, item := range list {
			(*items)[item.ID] = item
		}
		return nil
	}
	var byID map[string]homieItem
	if err := json.Unmarshal(b, &byID); err != nil {
		return err
	}
	*items = byID
	return nil
}

func (d *homie) describe(body []byte) error {
	if len(body) == 0 {
		return nil
	}
	// encoding/json gives up on nesting by itself, but each level here costs
	// a new pass, so deep documents are refused beforehand.
	if err := (&scanner{doc: body}).scan(nil); err != nil {
		return &Error{Kind: Undecodable, At: "$description", Reason: "not JSON: " + err.Error()}
	}
	var description homieDescription
	if err := json.Unmarshal(body, &description); err != nil {
		return &Error{Kind: Undecodable, At: "$description", Reason: "not a Homie description"}
	}
	var faults []error
	for i := range d.fields {
		node, property, _ := strings.Cut(d.fields[i].at, "/")
		if err := d.learn(i, description.Nodes[node].Properties[property].Unit); err != nil {
			faults = append(faults, err)
		}
	}
	return errors.Join(faults...)
}
