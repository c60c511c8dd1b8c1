package payload

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// sparkplug decodes one device, or the metrics of an edge node itself, of a
// Sparkplug B network (Eclipse Sparkplug 3.0, ISO/IEC 20237). It follows the
// edge node's session: births define what a metric's alias means, sequence
// numbers show whether a message was lost, deaths end it. As the numbers run
// over all messages of the edge node, those of its other devices are needed
// too.
//
// Once a message is lost, a birth may have been among the lost ones, so that
// an alias could mean another metric than it did. Values by alias are then
// withheld until the edge node has answered a request for rebirth; values that
// come with their name stay good.
type sparkplug struct {
	group, node, device string
	fields              []field
	// known are the metrics as the last birth defined them, by field.
	known []birthMetric

	inSession bool // the edge node has been born and no message was lost since
	// doubted is set when messages may have been lost and none has shown it yet.
	doubted bool
	// refused is set when a value could not be understood since the last birth.
	refused  bool
	seq      uint8
	bdSeq    uint64
	hasBdSeq bool
	presence Presence

	// asked is when the last rebirth was requested, and patience how long to
	// wait for the answer. Gone edge nodes are not asked.
	asked    time.Time
	patience time.Duration
}

type birthMetric struct {
	Born     bool   `json:"born"`
	HasAlias bool   `json:"has_alias"`
	Alias    uint64 `json:"alias"`
	Datatype uint32 `json:"datatype"`
}

// firstPatience and lastPatience bound the time between two requests for
// rebirth that are not answered.
const (
	firstPatience = 10 * time.Second
	lastPatience  = 10 * time.Minute
)

const sparkplugNamespace = "spBv1.0"

func newSparkplug(topic string, fields []field) (Decoder, error) {
	var faults []error
	d := &sparkplug{fields: fields, known: make([]birthMetric, len(fields)), patience: firstPatience}
	parts := strings.Split(topic, "/")
	ok := (len(parts) == 4 || len(parts) == 5) && parts[0] == sparkplugNamespace
	for i, part := range parts {
		ok = ok && part != "" && (i == 2 || !strings.ContainsAny(part, "+#"))
	}
	if ok {
		d.group, d.node = parts[1], parts[3]
		if len(parts) == 5 {
			d.device = parts[4]
		}
	} else {
		faults = append(faults, &SpecError{"topic", "the topic of a Sparkplug device is wanted, as in \"spBv1.0/group/+/node/device\""})
	}
	for i, f := range fields {
		if f.at == "" {
			faults = append(faults, &SpecError{fmt.Sprintf("values[%d].at", i), "a metric name is wanted"})
		}
	}
	return d, errors.Join(faults...)
}

// Filters returns all that the edge node and its devices publish: what a
// device says has a meaning only within the session of its node.
func (d *sparkplug) Filters() []string {
	base := sparkplugNamespace + "/" + d.group + "/"
	return []string{
		base + "NBIRTH/" + d.node, base + "NDEATH/" + d.node, base + "NDATA/" + d.node,
		base + "DBIRTH/" + d.node + "/+", base + "DDEATH/" + d.node + "/+", base + "DDATA/" + d.node + "/+",
	}
}

// Presence follows births and deaths.
func (d *sparkplug) Presence() Presence { return d.presence }

// Missed ends the session: a birth may have been among what was missed. Where
// the broker kept what it could, the numbers of what comes show whether
// anything is missing, and until they do it is understood as before; a rebirth
// is asked for all the same.
func (d *sparkplug) Missed(kept bool) {
	d.doubted = true
	d.inSession = d.inSession && kept
	d.asked, d.patience = time.Time{}, firstPatience
	if d.presence == Gone {
		d.presence = Unknown // it may have been born meanwhile
	}
}

// Requests asks for a rebirth when the session's state is not known.
func (d *sparkplug) Requests(now time.Time) []Request {
	if d.inSession && d.presence == Here && !d.doubted || d.presence == Gone {
		return nil
	}
	if !d.asked.IsZero() {
		// One that asked by a clock that was ahead asks again.
		if passed := now.Sub(d.asked); passed >= 0 && passed < d.patience {
			return nil
		}
		d.patience = min(2*d.patience, lastPatience)
	}
	d.asked = now
	return []Request{{Topic: sparkplugNamespace + "/" + d.group + "/NCMD/" + d.node, Payload: rebirthCommand(now)}}
}

// sparkplugMemory is what must outlive a restart: the session, and what its
// birth defined.
type sparkplugMemory struct {
	InSession bool                    `json:"in_session"`
	Seq       uint8                   `json:"seq"`
	BdSeq     uint64                  `json:"bd_seq"`
	HasBdSeq  bool                    `json:"has_bd_seq"`
	Presence  Presence                `json:"presence"`
	Refused   bool                    `json:"refused,omitempty"`
	Metrics   map[string]*birthMetric `json:"metrics,omitempty"`
}

// Memory is the session.
func (d *sparkplug) Memory() ([]byte, error) {
	m := sparkplugMemory{d.inSession, d.seq, d.bdSeq, d.hasBdSeq, d.presence, d.refused, make(map[string]*birthMetric)}
	for i := range d.known {
		if d.known[i].Born {
			m.Metrics[d.fields[i].at] = &d.known[i]
		}
	}
	return json.Marshal(m)
}

// Recall goes on with a session.
func (d *sparkplug) Recall(memory []byte) error {
	var m sparkplugMemory
	if err := json.Unmarshal(memory, &m); err != nil {
		return err
	}
	d.inSession, d.seq, d.bdSeq, d.hasBdSeq, d.presence, d.refused = m.InSession, m.Seq, m.BdSeq, m.HasBdSeq, m.Presence, m.Refused
	for i := range d.fields {
		if known := m.Metrics[d.fields[i].at]; known != nil {
			d.known[i] = *known
		}
	}
	return nil
}

// Missing is the birth of the device, once a value could not be understood.
func (d *sparkplug) Missing() string {
	if !d.refused {
		return ""
	}
	return "birth message is missing, without which its values cannot be told apart; it is asked for"
}

// rebirthCommand is the payload that sets "Node Control/Rebirth" to true.
func rebirthCommand(now time.Time) []byte {
	millis := uint64(max(now.UnixMilli(), 0))
	var m []byte
	m = protowire.AppendTag(m, metricName, protowire.BytesType)
	m = protowire.AppendString(m, "Node Control/Rebirth")
	m = protowire.AppendTag(m, metricTimestamp, protowire.VarintType)
	m = protowire.AppendVarint(m, millis)
	m = protowire.AppendTag(m, metricDatatype, protowire.VarintType)
	m = protowire.AppendVarint(m, typeBoolean)
	m = protowire.AppendTag(m, metricBoolean, protowire.VarintType)
	m = protowire.AppendVarint(m, 1)
	var b []byte
	b = protowire.AppendTag(b, payloadTimestamp, protowire.VarintType)
	b = protowire.AppendVarint(b, millis)
	b = protowire.AppendTag(b, payloadMetrics, protowire.BytesType)
	return protowire.AppendBytes(b, m)
}

func (d *sparkplug) Decode(topic string, body []byte, received time.Time) ([]Measurement, error) {
	kind, device, ours := d.parse(topic)
	if !ours {
		return nil, nil
	}
	if len(body) == 0 {
		return nil, &Error{Kind: Empty, Reason: "empty message"}
	}
	header, err := readHeader(body)
	if err != nil {
		return nil, &Error{Kind: Undecodable, Reason: "not Sparkplug B: " + err.Error()}
	}
	switch kind {
	case "NBIRTH":
		d.nodeBorn(&header, received)
	case "NDEATH":
		// The death of an earlier session may come late, after the edge node
		// has connected again; it carries that session's number.
		if !d.hasBdSeq || !header.hasBdSeq || header.bdSeq == d.bdSeq {
			d.inSession, d.presence = false, Gone
			clear(d.known)
		}
		return nil, nil
	default:
		d.follow(&header)
	}
	if device != d.device {
		return nil, nil
	}
	switch kind {
	case "NBIRTH", "DBIRTH":
		return d.birth(body, &header)
	case "DDEATH":
		d.presence = Gone
		clear(d.known)
		return nil, nil
	}
	return d.data(body, &header)
}

// parse splits a topic. Ours is set for messages of this edge node.
func (d *sparkplug) parse(topic string) (kind, device string, ours bool) {
	rest, ok := strings.CutPrefix(topic, sparkplugNamespace+"/")
	if !ok {
		return "", "", false
	}
	if rest, ok = strings.CutPrefix(rest, d.group+"/"); !ok {
		return "", "", false
	}
	kind, rest, _ = strings.Cut(rest, "/")
	node, device, hasDevice := strings.Cut(rest, "/")
	if node != d.node {
		return "", "", false
	}
	switch kind {
	case "NBIRTH", "NDEATH", "NDATA":
		return kind, "", !hasDevice
	case "DBIRTH", "DDEATH", "DDATA":
		return kind, device, hasDevice && device != ""
	}
	return "", "", false
}

// nodeBorn starts a session. All devices are unborn then.
func (d *sparkplug) nodeBorn(h *sparkplugHeader, received time.Time) {
	d.inSession, d.doubted = true, false
	d.seq = h.seq
	d.bdSeq, d.hasBdSeq = h.bdSeq, h.hasBdSeq
	d.asked, d.patience = time.Time{}, firstPatience
	clear(d.known)
	if d.device != "" {
		d.presence = Unknown
		// The device's own birth follows. Only when it does not in time is
		// there a reason to ask again.
		d.asked = received
	}
}

// follow checks the sequence number, which rises by one with each message of
// the edge node, from 255 to 0.
func (d *sparkplug) follow(h *sparkplugHeader) {
	// The same number again is the same message again: a broker may deliver
	// it for each of several subscriptions that include its topic.
	if !h.hasSeq || h.seq != d.seq+1 && h.seq != d.seq {
		d.inSession = false
	}
	d.seq = h.seq
}
