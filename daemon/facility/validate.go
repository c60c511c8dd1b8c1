package facility

import (
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/strict"
)

// idPattern keeps ids fit for labels, addresses of pages and file names.
var idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,62}[a-z0-9])?$`)

// deadbandUnits returns the conditions that can be tuned, each with the word
// for the unit of its deadband; "" is a condition without one.
func deadbandUnits() map[alerts.Condition]string {
	words := map[string]string{"°C": "celsius", "kPa": "kilopascals", "%": "percent"}
	units := map[alerts.Condition]string{}
	for _, definition := range conditions.Definitions() {
		units[definition.Condition] = ""
		if definition.Deadband > 0 {
			units[definition.Condition] = words[definition.Unit]
		}
	}
	return units
}

// leastDetailDays is how long details are needed: alarms are measured over 90
// days and what stood before them.
const leastDetailDays = 125

// validate finds what single values cannot show: how they fit together.
func (d *document) validate(f *Facility) {
	d.validateBroker(&f.Broker)
	d.validateWeb(&f.Web)
	d.validateLimits("limits", f.Limits, f.Limits)
	if f.Records.Path == "" {
		d.Fault("records.path", "records.path is empty", "write the path of the database file")
	}
	if days := f.Records.KeepDetailDays; days > 0 && days < leastDetailDays {
		d.Fault("records.keep_details_days", fmt.Sprintf("records.keep_details_days is %d, too little to measure alarms by", days),
			fmt.Sprintf("write %d or more, or 0 for ever", leastDetailDays))
	}
	rooms := d.validateRooms(f)
	d.validateSensors(f, rooms)
	d.validatePeople(f)
	d.validateAlertmanagers(f.Alertmanagers)
	validateDrills(d, &f.Drills)
	d.validateOutside(f)
	for name := range f.Alarms {
		d.validateTuning(name)
	}
}

// ids checks the ids of one list and returns the good ones.
func (d *document) ids(list string, count int, id func(int) string) []string {
	ids := make([]string, count)
	for i := range count {
		path := fmt.Sprintf("%s[%d].id", list, i)
		switch {
		case id(i) == "":
			// Missing or not text, which decoding has said already.
		case !idPattern.MatchString(id(i)):
			d.Fault(path, fmt.Sprintf("%q cannot be an id", id(i)),
				"use up to 64 lower-case letters, digits, hyphens, dots and underscores, with a letter or digit first and last")
		default:
			ids[i] = id(i)
		}
	}
	return d.Distinct(list, ids, "give every entry an id of its own")
}

// reference checks that an id is among the known ones.
func (d *document) reference(path, id, what string, known []string) {
	if id == "" || slices.Contains(known, id) {
		return
	}
	advice := fmt.Sprintf("no %s is defined: add one", what)
	if len(known) > 0 {
		advice = strict.Choose(id, known)
	}
	d.Fault(path, fmt.Sprintf("unknown %s %q", what, id), advice)
}

func (d *document) validateBroker(b *Broker) {
	b.Address = d.brokerAddress(b.Address)
	secret := d.secret("broker", "password", b.PasswordFile, b.PasswordEnv)
	if secret && b.Username == "" {
		d.Fault("broker", "a password without a username", "add username:")
	}
	if (b.CertificateFile == "") != (b.KeyFile == "") {
		d.Fault("broker", "a client certificate needs both certificate_file and key_file", "add the missing one")
	}
	if strings.HasPrefix(b.Address, "tcp:") {
		for key, value := range map[string]string{"ca_file": b.CAFile, "certificate_file": b.CertificateFile, "key_file": b.KeyFile} {
			if value != "" {
				d.Fault("broker."+key, key+" has no use with tcp://", "write the address with tls://, or remove the key")
			}
		}
	}
	if p := topicProblem(b.AvailabilityTopic); p != "" {
		d.Fault("broker.availability_topic", p, "write a topic that only rearguard writes to, for example rearguard/availability")
	}
	for i, filter := range b.Discover {
		if p := filterProblem(filter); p != "" {
			d.Fault(fmt.Sprintf("broker.discover[%d]", i), p, `write for example "site/#"`)
		}
	}
	if len(b.ClientID) > 128 {
		d.Fault("broker.client_id", "the client id is too long", "use up to 128 characters")
	}
}

// brokerAddress checks an address and returns it with its port.
func (d *document) brokerAddress(address string) string {
	const path = "broker.address"
	if address == "" {
		return ""
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Hostname() == "" {
		d.Fault(path, fmt.Sprintf("%q is not the address of a broker", address), "write tls://host:8883 or tcp://host:1883")
		return ""
	}
	ports := map[string]string{"tcp": "1883", "tls": "8883"}
	standard, ok := ports[u.Scheme]
	switch {
	case !ok:
		advice := "write tls://host:8883 or tcp://host:1883"
		if meant := map[string]string{"mqtt": "tcp", "mqtts": "tls", "ssl": "tls"}[u.Scheme]; meant != "" {
			advice = fmt.Sprintf("write %s://%s", meant, u.Host)
		}
		d.Fault(path, fmt.Sprintf("%s:// is not supported", u.Scheme), advice)
		return ""
	case u.User != nil:
		d.Fault(path, "the address holds a username or password", "use username: and password_file: instead")
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		d.Fault(path, "the address goes on after the port", "end it with the port number")
	case u.Port() != "" && !validPort(u.Port()):
		d.Fault(path, fmt.Sprintf("%s is not a port", u.Port()), "write a port from 1 to 65535")
	}
	port := u.Port()
	if port == "" {
		port = standard
	}
	return u.Scheme + "://" + net.JoinHostPort(u.Hostname(), port)
}

func validPort(port string) bool {
	n, err := strconv.Atoi(port)
	return err == nil && n >= 1 && n <= 65535
}

func (d *document) validateWeb(w *Web) {
	host, port, err := net.SplitHostPort(w.Listen)
	n, convErr := strconv.Atoi(port)
	switch {
	case err != nil || convErr != nil || n < 0 || n > 65535:
		d.Fault("web.listen", fmt.Sprintf("%q is not an address to listen on", w.Listen), "write host:port, for example 127.0.0.1:8080")
	case !loopback(host) && len(w.Proxies) == 0:
		d.Fault("web.listen", fmt.Sprintf("%q lets everybody on the network silence alarms and close cohorts, since the pages ask nobody who they are", w.Listen),
			"listen on 127.0.0.1 and put a proxy that asks for a password in front; one on another machine is named under web.proxies")
	}
	for i, text := range w.Proxies {
		if _, err := network(text); err != nil {
			d.Fault(fmt.Sprintf("web.proxies[%d]", i), fmt.Sprintf("%q is not an address", text), "write an address or a network, for example 192.0.2.10 or 192.0.2.0/28")
		}
	}
	for i, text := range w.Hosts {
		if text == "" || strings.ContainsAny(text, "/*@ ") {
			d.Fault(fmt.Sprintf("web.hosts[%d]", i), fmt.Sprintf("%q is not the name of a host", text), "write the name only, as it stands between // and the next : or / of the address")
		}
	}
	if w.PublicURL == "" {
		if w.LinkKeyFile != "" {
			d.Fault("web.link_key_file", "a key for links without an address for them", "add public_url:, or remove link_key_file")
		}
		return
	}
	if p := urlProblem(w.PublicURL); p != "" {
		d.Fault("web.public_url", p, "write for example https://rearguard.example.org")
	}
	w.PublicURL = strings.TrimRight(w.PublicURL, "/")
}

func urlProblem(text string) string {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "http" && u.Scheme != "https":
		return fmt.Sprintf("%q is not a web address", text)
	case u.User != nil:
		return "the address holds a username or password"
	case u.Fragment != "":
		return "the address holds a fragment (#)"
	}
	return ""
}

// validateLimits checks own limits as they work over the facility's.
func (d *document) validateLimits(path string, own, effective Limits) {
	heat, chill := effective.HeatCelsius, effective.ChillCelsius
	if heat != nil && chill != nil && *heat <= *chill && (own.HeatCelsius != nil || own.ChillCelsius != nil) {
		d.Fault(path, fmt.Sprintf("heat_celsius %g is not above chill_celsius %g", *heat, *chill), "no air could be right: correct one of them")
	}
	if own.DryingKilopascals == nil && effective.DryingKilopascals == nil && d.Has(path+".drying_after") {
		d.Fault(path+".drying_after", "drying_after without drying_kilopascals", "add drying_kilopascals, or remove drying_after")
	}
	if own.DampPercent == nil && effective.DampPercent == nil && d.Has(path+".damp_after") {
		d.Fault(path+".damp_after", "damp_after without damp_percent", "add damp_percent, or remove damp_after")
	}
}

func (d *document) validateRooms(f *Facility) []string {
	for i, room := range f.Rooms {
		d.validateLimits(fmt.Sprintf("rooms[%d].limits", i), room.Limits, room.Limits.Over(f.Limits))
		d.validateClimate(fmt.Sprintf("rooms[%d].climate", i), room.Climate)
		d.validateSetPoints(fmt.Sprintf("rooms[%d].set_points", i), room.SetPoints)
	}
	return d.ids("rooms", len(f.Rooms), func(i int) string { return string(f.Rooms[i].ID) })
}

// validateSetPoints checks that times of day are such and in order.
func (d *document) validateSetPoints(path string, points []SetPoint) {
	last := -1.0
	for i, p := range points {
		at := fmt.Sprintf("%s[%d].from", path, i)
		hour, ok := p.Hour()
		switch {
		case !d.Has(at):
			continue // its absence is a fault already
		case !ok:
			d.Fault(at, fmt.Sprintf("%q is not a time of day", p.From), "write hours and minutes in quotes, for example \"07:00\"")
		case hour <= last:
			d.Fault(at, fmt.Sprintf("%s does not come after the set point before it", p.From), "put set points in order of time, each time once")
		}
		last = hour
	}
}

// secret checks that a secret is given in one way and reports whether it is
// given at all.
func (d *document) secret(path, word, file, env string) bool {
	if file != "" && env != "" {
		d.Fault(path+"."+word+"_env", fmt.Sprintf("both %s_file and %s_env are given", word, word), "keep one of them")
	}
	if env != "" && strings.ContainsAny(env, "= $") {
		d.Fault(path+"."+word+"_env", fmt.Sprintf("%q is not the name of an environment variable", env), "write the name only, without $")
	}
	return file != "" || env != ""
}

func (d *document) validateTuning(name alerts.Condition) {
	path := "alarms." + string(name)
	units := deadbandUnits()
	unit, known := units[name]
	if !known {
		var names []string
		for c := range units {
			names = append(names, string(c))
		}
		slices.Sort(names)
		d.FaultyKey(path, fmt.Sprintf("unknown condition %s", name), strict.Choose(string(name), names))
		return
	}
	for _, key := range []string{"celsius", "kilopascals", "percent"} {
		at := path + ".deadband_" + key
		if !d.Has(at) || key == unit {
			continue
		}
		advice := fmt.Sprintf("use deadband_%s", unit)
		if unit == "" {
			advice = "remove it: this condition has no deadband"
		}
		d.Fault(at, fmt.Sprintf("wrong unit: the deadband of %s is not in %s", name, key), advice)
	}
}
