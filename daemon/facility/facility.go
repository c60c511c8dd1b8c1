// Package facility reads facility.yaml: the rooms, sensors, people and
// channels of one site.
package facility

import (
	"net/netip"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/roster"
	"rearguard/daemon/strict"
	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// Facility is everything the configuration file says, with defaults filled
// in. Paths in it are relative to the folder of the file and already joined
// with it.
type Facility struct {
	// Path is the file this was read from, Text what stood in it; sensors laid
	// over it with With are not in Text.
	Path, Text string

	Site    Site    `yaml:"facility" rule:"need"`
	Records Records `yaml:"records"`
	Broker  Broker  `yaml:"broker" rule:"need"`
	Web     Web     `yaml:"web"`
	Ingest  Ingest  `yaml:"ingest"`
	// Limits tighten what the cohorts in a room set: of the two the stricter
	// holds. An empty room has none.
	Limits  Limits   `yaml:"limits"`
	Rooms   []Room   `yaml:"rooms" rule:"need"`
	Sensors []Sensor `yaml:"sensors"`

	// Species is the value of the key species, nil if there is none. It is
	// read by who knows species.
	Species *strict.Part `yaml:"species"`

	People   []Person  `yaml:"people"`
	Channels []Channel `yaml:"channels"`
	Roster   []Duty    `yaml:"roster"`
	// Holidays are days on which lines of the roster with days do not hold, unless
	// they name holidays.
	Holidays []roster.Date `yaml:"holidays"`
	// Alertmanagers are told which alarms are on.
	Alertmanagers []Alertmanager `yaml:"alertmanagers"`
	// Alarms holds what the file says differently about a condition.
	Alarms map[alerts.Condition]Tuning `yaml:"alarms"`
	// Incidents says how alarms that are of one trouble are told.
	Incidents Incidents `yaml:"incidents"`
	Proofs
}

// Proofs say how it is tried and told that alarms reach somebody.
type Proofs struct {
	// Heartbeat is called as long as all is proven well, Peers are other sites
	// that watch this one and are watched by it.
	Heartbeat *Heartbeat `yaml:"heartbeat"`
	Peers     []Peer     `yaml:"peers"`
	// Drills says when it is tried by itself whether notices arrive.
	Drills Drills `yaml:"drills"`
}

// Incidents says how alarms that are of one trouble are told.
type Incidents struct {
	// Settle is how long nothing of one must have been on for it to be over.
	Settle        time.Duration `yaml:"settle" rule:"range=0s..24h"`
	EscalateAfter EscalateAfter `yaml:"escalate_after"`
}

// Site names the facility and says where it lies.
type Site struct {
	Name string `yaml:"name" rule:"need"`
	// Location is the time zone in which people read times; UTC if not given.
	Location *time.Location `yaml:"timezone"`
	// AltitudeM is the height above sea level in metres; it sets the air
	// pressure.
	AltitudeM float64 `yaml:"altitude_m" rule:"range=-500..6000"`
	// Language and Temperature are those in which people are told, unless they
	// have their own; English and °C if they are empty.
	Language    Language `yaml:"language" rule:"one=en|de"`
	Temperature Scale    `yaml:"temperature" rule:"one=celsius|fahrenheit"`
}

// Records says where history is kept and for how long.
type Records struct {
	Path string `yaml:"path"`
	// KeepDays is the age in days at which readings are deleted; 0 keeps
	// them for ever.
	KeepDays int `yaml:"keep_days" rule:"range=0..36500"`
	// KeepDetailDays is the age in days at which notices, the steps of alarms
	// that are over, and what machines wrote into the journal are condensed to
	// counts; 0 keeps them for ever.
	KeepDetailDays int         `yaml:"keep_details_days" rule:"range=0..36500"`
	Synchronous    Synchronous `yaml:"synchronous" rule:"one=full|normal"`
}

// Synchronous says how far records wait for the disk.
type Synchronous string

// The ways to wait for the disk.
const (
	// Full survives loss of power.
	Full Synchronous = "full"
	// Normal survives a crash of the program; the last moments may be lost
	// with the power.
	Normal Synchronous = "normal"
)

// Broker says how to reach the MQTT broker.
type Broker struct {
	// Address is tcp://host:port or tls://host:port, with the port always
	// filled in.
	Address  string `yaml:"address" rule:"need"`
	ClientID string `yaml:"client_id" rule:"need"`
	Username string `yaml:"username"`
	// PasswordFile and PasswordEnv name where the password is; see Password.
	PasswordFile string `yaml:"password_file"`
	PasswordEnv  string `yaml:"password_env"`
	// CAFile holds the certificates that vouch for the broker, in PEM; the
	// system's are used if it is empty.
	CAFile string `yaml:"ca_file"`
	// CertificateFile and KeyFile are rearguard's own client certificate.
	CertificateFile string `yaml:"certificate_file"`
	KeyFile         string `yaml:"key_file"`
	// AvailabilityTopic is where rearguard says that it is there.
	AvailabilityTopic string `yaml:"availability_topic"`
	// Discover are topic filters watched for sensors nobody has claimed.
	Discover          []string `yaml:"discover"`
	PayloadLimitBytes int      `yaml:"payload_limit_bytes" rule:"range=64..16777216"`
}

// Password tells where the broker's password is.
func (b Broker) Password() Secret { return Secret{File: b.PasswordFile, Env: b.PasswordEnv} }

// Web says where the pages are.
type Web struct {
	// Listen is the host:port the pages are served on.
	Listen string `yaml:"listen"`
	// PublicURL is the address under which people reach the pages, used for
	// links in notices; without a slash at the end, empty if not given.
	PublicURL string `yaml:"public_url"`
	// Hosts are further names and addresses under which the pages are reached.
	Hosts []string `yaml:"hosts"`
	// Proxies are the addresses or networks of proxies that ask people who they
	// are; beside the machine itself only they may connect.
	Proxies []string `yaml:"proxies"`
	// LinkKeyFile holds the key that signs the links in notices by which people
	// answer without a password; it is made when it is missing. Empty is to make
	// no such links.
	LinkKeyFile string `yaml:"link_key_file"`
}

// ProxyNetworks are the addresses of the proxies, each as a network.
func (w Web) ProxyNetworks() []netip.Prefix {
	var list []netip.Prefix
	for _, text := range w.Proxies {
		if p, err := network(text); err == nil {
			list = append(list, p)
		}
	}
	return list
}

// network reads an address or a network.
func network(text string) (netip.Prefix, error) {
	if ip, err := netip.ParseAddr(text); err == nil {
		return ip.Unmap().Prefix(ip.Unmap().BitLen())
	}
	p, err := netip.ParsePrefix(text)
	return p.Masked(), err
}

// loopback reports whether a host is the machine itself.
func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// Ingest bounds what is believed about the time of a reading.
type Ingest struct {
	// FutureTolerance is how far ahead of the clock a reading may be.
	FutureTolerance time.Duration `yaml:"future_tolerance" rule:"range=1s..24h"`
	// AgeLimit is how old a reading may be when it arrives.
	AgeLimit time.Duration `yaml:"age_limit" rule:"range=1m..87600h"`
	// GapLimit is the longest gap in air that is bridged by a straight line.
	GapLimit time.Duration `yaml:"gap_limit" rule:"range=1m..168h"`
}

// Limits are limits on the air of an occupied room. A nil field sets none.
type Limits struct {
	// HeatCelsius and ChillCelsius are air temperatures in °C.
	HeatCelsius  *float64 `yaml:"heat_celsius" rule:"range=-20..60"`
	ChillCelsius *float64 `yaml:"chill_celsius" rule:"range=-20..60"`
	// DryingKilopascals is a vapour pressure deficit in kPa that must not
	// last longer than DryingAfter.
	DryingKilopascals *float64      `yaml:"drying_kilopascals" rule:"range=0.05..15"`
	DryingAfter       time.Duration `yaml:"drying_after" rule:"range=1m..168h"`
	// DampPercent is a relative humidity in percent that must not last
	// longer than DampAfter.
	DampPercent *float64      `yaml:"damp_percent" rule:"range=20..100"`
	DampAfter   time.Duration `yaml:"damp_after" rule:"range=1m..168h"`
	// DaySwingCelsius is the range of temperature within 24 h in °C,
	// FastChangeCelsiusPerHour a rate of change whatever its sign.
	DaySwingCelsius          *float64 `yaml:"day_swing_celsius" rule:"range=1..40"`
	FastChangeCelsiusPerHour *float64 `yaml:"fast_change_celsius_per_hour" rule:"range=1..60"`
	// MouldPercent is how far spores of moulds and insect fungi may come
	// towards germinating, in percent.
	MouldPercent *float64 `yaml:"mould_percent" rule:"range=5..100"`
}

// Room is one room, chamber or cabinet with air of its own.
type Room struct {
	ID   sensors.RoomID `yaml:"id" rule:"need"`
	Name string         `yaml:"name"`
	// Limits are the room's own. They take the place of what cohorts and
	// facility set, so that somebody who knows the room can also loosen.
	Limits Limits `yaml:"limits"`
	// ColdestSurfaceBelowAirCelsius is by how many degrees the coldest wall
	// or window stays below the air; it tells when water condenses there.
	ColdestSurfaceBelowAirCelsius float64 `yaml:"coldest_surface_below_air_celsius" rule:"range=0..30"`
	// SetPoints are the temperatures the room is held at through the day, in
	// order of time; empty where the room's own days tell what to expect.
	SetPoints []SetPoint `yaml:"set_points"`
	// Climate is what readings in this room are expected to be; a later entry
	// replaces an earlier one where both apply.
	Climate []Climate `yaml:"climate"`
}

// SetPoint is a temperature that a room is held at from a time of day on,
// until the next one; the last of a day lasts until the first of the next.
type SetPoint struct {
	// From is the time of day as 15:04, in the facility's time zone.
	From    string  `yaml:"from" rule:"need"`
	Celsius float64 `yaml:"celsius" rule:"need;range=-10..50"`
}

// Hour returns From in hours, 0 to just below 24, and false when it is no time
// of day.
func (p SetPoint) Hour() (float64, bool) {
	t, err := time.Parse("15:04", p.From)
	if err != nil {
		return 0, false
	}
	return float64(t.Hour()) + float64(t.Minute())/60, true
}

// Sensor is one device that reports air.
type Sensor struct {
	ID sensors.SensorID `yaml:"id" rule:"need"`
	// Room is empty for outdoor and supply-air sensors.
	Room sensors.RoomID `yaml:"room"`
	// Place is empty for a sensor in its room.
	Place    sensors.Place `yaml:"place" rule:"one=room|outdoor|supply-air"`
	Position string        `yaml:"position"`
	// HeightM is the height above the floor in metres, nil if not given.
	HeightM *float64 `yaml:"height_m" rule:"range=0..50"`
	// Replaces is the sensor whose position this one took over; the history
	// of both is the history of the position.
	Replaces sensors.SensorID `yaml:"replaces"`
	// Retired sensors are no longer listened to. They stay in the file so that
	// their history keeps its place.
	Retired bool `yaml:"retired"`
	// Availability is where the sensor, or the broker in its place (last
	// will), says whether it is there; nil if it does not.
	Availability *Availability `yaml:"availability"`
	// Reports is empty for a sensor that reports regularly.
	Reports Reports `yaml:"reports" rule:"one=regularly|on-change"`
	// Interval is the expected time between reports, 0 if it is to be learned;
	// of a sensor that reports on change the longest time between two messages.
	Interval time.Duration `yaml:"interval" rule:"range=1s..24h"`
	Inputs   []Input       `yaml:"inputs" rule:"need"`
}

// Reports says when a sensor sends a reading.
type Reports string

// The habits of sensors.
const (
	Regularly Reports = "regularly"
	// OnChange is a sensor whose last value holds until it sends another.
	OnChange Reports = "on-change"
)

// Availability is a topic on which a sensor says that it is there or gone.
type Availability struct {
	Topic string `yaml:"topic" rule:"need"`
	// Online and Offline are the payloads; "online" and "offline" if empty.
	Online  string `yaml:"online"`
	Offline string `yaml:"offline"`
}

// Input is one topic a sensor reports on, and how to read its payload.
type Input struct {
	// Topic is the device's for Homie (homie/5/device) and Sparkplug
	// (spBv1.0/group/+/node/device), whose messages come on several topics.
	Topic  string         `yaml:"topic" rule:"need"`
	Format payload.Format `yaml:"format" rule:"need"`
	// Time is nil when the payload carries no time of its own.
	Time   *TimeField `yaml:"time"`
	Values []Value    `yaml:"values" rule:"need"`
}

// TimeField says where in a payload the event time is.
type TimeField struct {
	// At is a JSON pointer (RFC 6901).
	At string `yaml:"at" rule:"need"`
	// Unit is s, ms, us or ns of Unix time, or rfc3339.
	Unit string `yaml:"unit" rule:"need"`
}

// Value says where in a payload one quantity is.
type Value struct {
	Quantity sensors.Quantity `yaml:"quantity" rule:"need"`
	// At is a JSON pointer (RFC 6901) for json, a record's name for senml, a
	// metric's for sparkplug, node/property for homie, and empty for plain.
	At string `yaml:"at"`
	// Unit is the unit the sensor reports in, for example "°F".
	Unit string `yaml:"unit"`
}

// Spec returns how to decode the payloads of the input.
func (in Input) Spec() payload.Spec {
	spec := payload.Spec{Format: in.Format, Topic: in.Topic}
	if in.Time != nil {
		spec.Time = &payload.TimeSpec{At: in.Time.At, Unit: in.Time.Unit}
	}
	for _, v := range in.Values {
		spec.Values = append(spec.Values, payload.ValueSpec{Quantity: v.Quantity, At: v.At, Unit: v.Unit})
	}
	return spec
}

// Person is somebody who can be told about alarms.
type Person struct {
	ID    string `yaml:"id" rule:"need"`
	Name  string `yaml:"name" rule:"need"`
	Email string `yaml:"email"`
	// Phone is a number with the code of its country, for templates of webhooks.
	Phone string `yaml:"phone"`
	// Away are absences; the next of a line takes the place.
	Away []Absence `yaml:"away"`
	// Language and Temperature are those in which the person is told; those of
	// the facility if they are empty.
	Language    Language `yaml:"language" rule:"one=en|de"`
	Temperature Scale    `yaml:"temperature" rule:"one=celsius|fahrenheit"`
}

// ChannelKind is a way to reach people.
type ChannelKind string

// The kinds of channels.
const (
	Email   ChannelKind = "email"
	Webhook ChannelKind = "webhook"
	// Push reaches phones that subscribed on rearguard's own page.
	Push ChannelKind = "push"
)

// Channel is one way to reach people. Exactly the settings of its kind are
// set.
type Channel struct {
	ID   string      `yaml:"id" rule:"need"`
	Kind ChannelKind `yaml:"kind" rule:"need;one=email|webhook|push"`
	// SMTP is set for kind email.
	SMTP *SMTP `yaml:"smtp"`
	// URL and the secret are set for kind webhook.
	URL        string `yaml:"url"`
	SecretFile string `yaml:"secret_file"`
	SecretEnv  string `yaml:"secret_env"`
	// CAFile holds the certificates that vouch for the webhook's server.
	CAFile string `yaml:"ca_file"`
	// Template, of a webhook, takes the place of rearguard's own JSON; nil
	// without one. Then the secret may be left out, and calls are not signed.
	Template *Template `yaml:"template"`
	// Push is set for kind push.
	Push *PushSettings `yaml:"push"`
}

// Secret tells where the signing secret of a webhook is.
func (c Channel) Secret() Secret { return Secret{File: c.SecretFile, Env: c.SecretEnv} }

// TLS says how a connection to a mail server is kept secret.
type TLS string

// The ways to keep it secret, or not to.
const (
	StartTLS    TLS = "starttls"
	ImplicitTLS TLS = "implicit"
	NoTLS       TLS = "none"
)

// SMTP says how to hand on e-mail.
type SMTP struct {
	Host string `yaml:"host" rule:"need"`
	// Port is 587 for starttls, 465 for implicit and 25 for none if it is
	// not given.
	Port int `yaml:"port" rule:"range=1..65535"`
	// TLS is StartTLS if it is not given.
	TLS          TLS    `yaml:"tls" rule:"one=starttls|implicit|none"`
	Username     string `yaml:"username"`
	PasswordFile string `yaml:"password_file"`
	PasswordEnv  string `yaml:"password_env"`
	From         string `yaml:"from" rule:"need"`
	CAFile       string `yaml:"ca_file"`
}

// Password tells where the password of the mail account is.
func (s SMTP) Password() Secret { return Secret{File: s.PasswordFile, Env: s.PasswordEnv} }

// PushSettings say how to speak to push services.
type PushSettings struct {
	// Contact is where the operator of a push service reaches the site: mailto:
	// or https: with a domain of the internet.
	Contact string `yaml:"contact" rule:"need"`
	// KeyFile holds the private key that phones are subscribed to; it is made
	// when it is missing.
	KeyFile string `yaml:"key_file" rule:"need"`
	// Services are hosts of push services beside those of the usual browsers.
	Services []string `yaml:"services"`
	// CAFile holds the certificates that vouch for push services of one's own.
	CAFile string `yaml:"ca_file"`
}

// Tuning changes how one condition becomes an alarm. A nil field leaves the
// condition's own setting.
type Tuning struct {
	OnDelay  *time.Duration `yaml:"on_delay" rule:"range=0s..168h"`
	OffDelay *time.Duration `yaml:"off_delay" rule:"range=0s..168h"`
	// Repeat holds the pauses after which an alarm that nobody acknowledges
	// calls again, the last of them from then on; an empty list is never.
	Repeat *[]time.Duration `yaml:"repeat" rule:"range=1m..168h"`
	// Only the deadband in the condition's unit can be set.
	DeadbandCelsius     *float64 `yaml:"deadband_celsius" rule:"range=0..20"`
	DeadbandKilopascals *float64 `yaml:"deadband_kilopascals" rule:"range=0..5"`
	DeadbandPercent     *float64 `yaml:"deadband_percent" rule:"range=0..50"`
}

// Deadband returns the deadband in the condition's unit, nil if the file
// leaves the condition's own.
func (t Tuning) Deadband() *float64 {
	for _, d := range []*float64{t.DeadbandCelsius, t.DeadbandKilopascals, t.DeadbandPercent} {
		if d != nil {
			return d
		}
	}
	return nil
}
