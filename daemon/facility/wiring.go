package facility

import (
	"errors"
	"fmt"
	"net"
	"net/mail"
	"slices"
	"strings"

	"rearguard/alerts"
	"rearguard/daemon/strict"
	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// claim is one piece of data that a sensor reads from a topic.
type claim struct{ topic, at string }

// source is one time series of one sensor.
type source struct {
	sensor   sensors.SensorID
	quantity sensors.Quantity
}

func (d *document) validateSensors(f *Facility, rooms []string) {
	d.ids("sensors", len(f.Sensors), func(i int) string { return string(f.Sensors[i].ID) })
	claims := map[claim]int{}
	sources := map[source]int{}
	formats := map[string]payload.Format{}
	for i, s := range f.Sensors {
		path := fmt.Sprintf("sensors[%d]", i)
		d.reference(path+".room", string(s.Room), "room", rooms)
		d.validatePlace(path, s, f)
		if s.Retired {
			// Its topics may be another sensor's by now.
			continue
		}
		for j, in := range s.Inputs {
			here := fmt.Sprintf("%s.inputs[%d]", path, j)
			d.validateInput(here, in, f.Broker.AvailabilityTopic)
			if earlier := formats[in.Topic]; earlier != "" && in.Format != "" && earlier != in.Format {
				d.Fault(here+".format", fmt.Sprintf("the topic %s is read as %s elsewhere in this file", in.Topic, earlier), "one topic has one format")
			} else if in.Topic != "" {
				formats[in.Topic] = in.Format
			}
			for k, v := range in.Values {
				at := fmt.Sprintf("%s.values[%d]", here, k)
				line := d.Line(at)
				what := claim{in.Topic, v.At}
				if first, taken := claims[what]; taken && in.Topic != "" {
					d.Fault(at, fmt.Sprintf("the value %sof topic %s is claimed twice", atPlace(v.At), in.Topic),
						fmt.Sprintf("line %d claims it too: two sensors cannot be the same data", first))
				} else {
					claims[what] = line
				}
				series := source{s.ID, v.Quantity}
				if first, taken := sources[series]; taken && s.ID != "" && v.Quantity != 0 {
					d.Fault(at, fmt.Sprintf("the %s of sensor %s has two sources", v.Quantity, s.ID),
						fmt.Sprintf("line %d is the other: define a sensor for each", first))
				} else {
					sources[series] = line
				}
			}
		}
	}
}

func (d *document) validateInput(path string, in Input, availability string) {
	if d.Has(path+".topic") && in.Topic != "" {
		name := in.Topic
		if in.Format == payload.Sparkplug {
			// The one wildcard of a Sparkplug device is where the kind of
			// message stands; the decoder checks its place.
			name = strings.Replace(name, "/+/", "/-/", 1)
		}
		if p := topicProblem(name); p != "" {
			d.Fault(path+".topic", p, "write the one topic on which this sensor reports")
		} else if in.Topic == availability {
			d.Fault(path+".topic", "this is rearguard's own availability topic", "write the topic on which this sensor reports")
		}
	}
	for k, v := range in.Values {
		at := fmt.Sprintf("%s.values[%d]", path, k)
		// A bare number says nothing about its scale, and degrees Celsius
		// taken for Fahrenheit are still a plausible room.
		bare := in.Format == payload.Plain || in.Format == payload.JSON
		if bare && v.Unit == "" && v.Quantity != 0 && !d.Has(at+".unit") {
			d.Fault(at, fmt.Sprintf("the unit of the %s is missing", v.Quantity), "add unit: "+quotedList(payload.Units(v.Quantity)))
		}
	}
	d.validateSpec(path, in)
}

// validateSpec lets the decoder check the rest, unless the input has faults
// already, which it would only repeat.
func (d *document) validateSpec(path string, in Input) {
	if d.Faulty(path) {
		return
	}
	_, err := payload.New(in.Spec())
	if err == nil {
		return
	}
	for _, fault := range flatten(err) {
		var spec *payload.SpecError
		if !errors.As(fault, &spec) {
			d.Fault(path, fault.Error(), "correct this input")
			continue
		}
		d.Fault(path+"."+spec.Field, spec.Reason, specAdvice(spec.Field, in))
	}
}

func flatten(err error) []error {
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []error{err}
	}
	var all []error
	for _, e := range joined.Unwrap() {
		all = append(all, flatten(e)...)
	}
	return all
}

func specAdvice(field string, in Input) string {
	switch {
	case field == "format":
		return strict.Choose(string(in.Format), payload.FormatNames())
	case strings.HasSuffix(field, ".unit") && field != "time.unit":
		for k, v := range in.Values {
			if field == fmt.Sprintf("values[%d].unit", k) {
				return "write " + quotedList(payload.Units(v.Quantity))
			}
		}
	case field == "topic" && in.Format == payload.Sparkplug:
		return `write "spBv1.0/group/+/node/device", or "spBv1.0/group/+/node" for the metrics of an edge node itself`
	case field == "topic" && in.Format == payload.Homie:
		return `write the device's topic, for example "homie/5/nursery-north"`
	case strings.HasSuffix(field, ".at") && in.Format == payload.JSON:
		return `a JSON pointer (RFC 6901) starts with a slash, for example "/data/temperature"`
	case strings.HasSuffix(field, ".at") && (in.Format == payload.SenML || in.Format == payload.SenMLCBOR):
		return `a SenML record's full name is base name and name together, for example "urn:dev:ow:10e2073a01080063:temp"`
	case strings.HasSuffix(field, ".at") && in.Format == payload.Sparkplug:
		return `write the metric's name as in the birth message, for example "Air/Temperature"`
	case strings.HasSuffix(field, ".at") && in.Format == payload.Homie:
		return `write node and property, for example "air/temperature"`
	case in.Format == payload.Plain:
		return "a plain payload is one number and nothing else; other payloads need another format"
	}
	return "correct or remove it"
}

func atPlace(at string) string {
	if at == "" {
		return ""
	}
	return fmt.Sprintf("at %q ", at)
}

func quotedList(words []string) string {
	quoted := make([]string, len(words))
	for i, w := range words {
		quoted[i] = fmt.Sprintf("%q", w)
	}
	return strings.Join(quoted, " or ")
}

func (d *document) validatePeople(f *Facility) {
	people := d.ids("people", len(f.People), func(i int) string { return f.People[i].ID })
	channels := d.ids("channels", len(f.Channels), func(i int) string { return f.Channels[i].ID })
	withoutEmail := map[string]bool{}
	for i, p := range f.People {
		withoutEmail[p.ID] = p.Email == ""
		d.email(fmt.Sprintf("people[%d].email", i), p.Email)
		validateAway(d, fmt.Sprintf("people[%d].away", i), p.Away)
		if p.Phone != "" && !phonePattern.MatchString(p.Phone) {
			d.Fault(fmt.Sprintf("people[%d].phone", i), fmt.Sprintf("%q is not a phone number", p.Phone), "write it in quotes, with + and the code of the country and without blanks, for example \"+34600000000\"")
		}
	}
	byEmail := map[string]bool{}
	for i, c := range f.Channels {
		byEmail[c.ID] = c.Kind == Email
		d.validateChannel(fmt.Sprintf("channels[%d]", i), c)
	}
	d.validatePushChannels(f)
	for i, duty := range f.Roster {
		path := fmt.Sprintf("roster[%d]", i)
		d.validateDuty(path, &f.Roster[i], f.Holidays)
		mails := false
		for j, id := range duty.Channels {
			d.reference(fmt.Sprintf("%s.channels[%d]", path, j), id, "channel", channels)
			mails = mails || byEmail[id]
		}
		for j, id := range duty.Who {
			at := fmt.Sprintf("%s.who[%d]", path, j)
			d.reference(at, id, "person", people)
			if mails && slices.Contains(people, id) && withoutEmail[id] {
				d.Fault(at, fmt.Sprintf("%s is to be told by e-mail and has no address", id), "add email: to this person")
			}
		}
		seen := map[alerts.Priority]bool{}
		for j, p := range duty.Priorities {
			if p != 0 && seen[p] {
				d.Fault(fmt.Sprintf("%s.priorities[%d]", path, j), fmt.Sprintf("the priority %s stands twice", p), "keep one of them")
			}
			seen[p] = true
		}
	}
}

func (d *document) validateChannel(path string, c Channel) {
	switch c.Kind {
	case Email:
		if c.SMTP == nil && !d.Has(path+".smtp") {
			d.Fault(path, "a channel of kind email needs smtp", "add smtp: with the host of the mail server")
		}
		d.foreign(path, c.Kind, c.ofCall())
		d.foreign(path, c.Kind, map[string]bool{"template": c.Template != nil})
	case Webhook:
		switch {
		case !d.Has(path + ".url"):
			d.Fault(path, "a channel of kind webhook needs url", "add url: with the address to call")
		case urlProblem(c.URL) != "":
			d.Fault(path+".url", urlProblem(c.URL), "write for example https://hooks.example.org/rearguard")
		}
		if !d.secret(path, "secret", c.SecretFile, c.SecretEnv) && !d.Has(path+".template") {
			d.Fault(path, "a channel of kind webhook needs a secret to sign with", "add secret_file: or secret_env:")
		}
		d.foreign(path, c.Kind, map[string]bool{"smtp": c.SMTP != nil})
		if c.Template != nil {
			d.validateTemplate(path+".template", c.Template, c.URL)
		}
	}
	if s := c.SMTP; s != nil {
		d.validateSMTP(path+".smtp", *s)
	}
}

// ofCall says which of the keys are given by which a webhook is called.
func (c *Channel) ofCall() map[string]bool {
	return map[string]bool{"url": c.URL != "", "secret_file": c.SecretFile != "", "secret_env": c.SecretEnv != "", "ca_file": c.CAFile != ""}
}

// foreign finds keys that are given and do not belong to the kind of a channel.
func (d *document) foreign(path string, kind ChannelKind, given map[string]bool) {
	for key, is := range given {
		if is {
			d.Fault(path+"."+key, fmt.Sprintf("%s does not belong to kind %s", key, kind), "remove it")
		}
	}
}

func (d *document) validateSMTP(path string, s SMTP) {
	d.email(path+".from", s.From)
	if s.Host != "" && strings.ContainsAny(s.Host, ":/@ ") && net.ParseIP(s.Host) == nil {
		d.Fault(path+".host", fmt.Sprintf("%q is not the name of a host", s.Host), "write the name or address only; the port has a key of its own")
	}
	given := d.secret(path, "password", s.PasswordFile, s.PasswordEnv)
	switch {
	case given && s.Username == "":
		d.Fault(path, "a password without a username", "add username:")
	case !given && s.Username != "":
		d.Fault(path, "a username without a password", "add password_file: or password_env:")
	case given && s.TLS == NoTLS:
		d.Fault(path+".tls", "the password would cross the network readable by all", "use starttls or implicit")
	}
	if s.CAFile != "" && s.TLS == NoTLS {
		d.Fault(path+".ca_file", "ca_file has no use with tls: none", "use starttls or implicit, or remove the key")
	}
}

func (d *document) email(path, address string) {
	if address == "" {
		return
	}
	parsed, err := mail.ParseAddress(address)
	if err != nil || parsed.Address != address {
		d.Fault(path, fmt.Sprintf("%q is not an e-mail address", address), "write the address only, for example lead@example.org")
	}
}
