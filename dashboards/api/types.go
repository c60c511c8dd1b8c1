package api

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify/circuit"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// The types below are the wire format. Keys are snake_case and carry the unit;
// what is not known is absent, never zero. The doc tags go into the OpenAPI
// description, which is made from these types.

// State is the state of the facility as a whole.
type State struct {
	Time         time.Time `json:"time" doc:"the engine's clock: time of the last event handled"`
	Name         string    `json:"name"`
	Invented     bool      `json:"invented" doc:"true when the data is a made-up scenario"`
	Version      string    `json:"version" doc:"version of rearguard"`
	Rooms        int       `json:"rooms"`
	Sensors      int       `json:"sensors"`
	Cohorts      int       `json:"cohorts"`
	Alarms       int       `json:"alarms" doc:"alarms that are not in the normal state"`
	Broker       Broker    `json:"broker"`
	Store        Store     `json:"store"`
	Clock        Clock     `json:"clock"`
	Notices      []Notice  `json:"notices"`
	Pending      int       `json:"notices_pending"`
	Overdue      int       `json:"notices_overdue" doc:"urgent notices that should have reached somebody by now"`
	Proof        Proof     `json:"proof"`
	Failing      []Channel `json:"failing_channels" doc:"channels that failed several times in a row and are tried now and then only"`
	MessageCount []Message `json:"messages"`
}

// Broker is the link to the MQTT broker.
type Broker struct {
	Address    string     `json:"address"`
	Connected  bool       `json:"connected"`
	Subscribed bool       `json:"subscribed"`
	Since      *time.Time `json:"since,omitempty"`
	Problem    string     `json:"problem,omitempty"`
	// SessionsLost counts how often the broker had forgotten the session.
	SessionsLost    uint64     `json:"sessions_lost" doc:"how often the broker had forgotten the session, and with it the messages kept in it"`
	SessionLost     *time.Time `json:"session_lost,omitempty" doc:"when it was last found so"`
	CertificateEnds *time.Time `json:"certificate_ends,omitempty" doc:"when the broker's certificate is no longer valid"`
}

// Store is the state of the records.
type Store struct {
	OK      bool   `json:"ok"`
	Problem string `json:"problem,omitempty"`
}

// Clock is how the time stands by which everything goes.
type Clock struct {
	Doubted bool       `json:"doubted" doc:"true while the machine's clock is not believed"`
	Doubt   string     `json:"doubt,omitempty" doc:"what speaks against the machine's clock"`
	Since   *time.Time `json:"since,omitempty" doc:"since when it is doubted"`
	Steps   uint64     `json:"steps" doc:"how often the time was moved"`
	Last    *ClockStep `json:"last_step,omitempty"`
}

// ClockStep is a change of the time other than by its passing.
type ClockStep struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Why  string    `json:"why"`
}

// Notice counts notices.
type Notice struct {
	Channel string `json:"channel"`
	Outcome string `json:"outcome"`
	Count   uint64 `json:"count"`
}

// Proof is how the proof stands that all works, from a sensor to a person.
type Proof struct {
	At      *time.Time `json:"at,omitempty" doc:"when all of it was last there"`
	Missing []string   `json:"missing" doc:"what is missing now, in sentences"`
	Told    *time.Time `json:"told,omitempty" doc:"when the watcher outside was last told"`
	Problem string     `json:"problem,omitempty" doc:"what keeps it from being told"`
}

// Channel is one that does not work.
type Channel struct {
	Channel  string    `json:"channel"`
	Failures int       `json:"failures" doc:"failures in a row"`
	Since    time.Time `json:"since" doc:"the first of them"`
	Last     time.Time `json:"last" doc:"the last of them"`
	Problem  string    `json:"problem" doc:"what the last attempt met with"`
}

// Message counts MQTT messages.
type Message struct {
	Outcome string `json:"outcome"`
	Count   uint64 `json:"count"`
}

// Room is one room. A blind room has no air.
type Room struct {
	ID            string     `json:"id"`
	Name          string     `json:"name"`
	Blind         bool       `json:"blind" doc:"true while the room has no usable temperature; the air is then absent"`
	Temperature   *float64   `json:"temperature_celsius,omitempty" doc:"median of the usable sensors"`
	Coldest       *float64   `json:"coldest_celsius,omitempty"`
	Warmest       *float64   `json:"warmest_celsius,omitempty"`
	Humidity      *float64   `json:"relative_humidity_ratio,omitempty" doc:"median of the usable sensors, 0 to 1"`
	Driest        *float64   `json:"driest_ratio,omitempty"`
	Dampest       *float64   `json:"dampest_ratio,omitempty"`
	VPD           *float64   `json:"vapor_pressure_deficit_pascals,omitempty"`
	DewPoint      *float64   `json:"dew_point_celsius,omitempty"`
	Updated       *time.Time `json:"updated,omitempty" doc:"event time of the newest usable reading"`
	UsableSensors int        `json:"usable_sensors"`
	TotalSensors  int        `json:"total_sensors"`
	Limits        []Limit    `json:"limits"`
	// Expected and Bending are about the air to come.
	Expected *ExpectedAir   `json:"expected_air,omitempty"`
	Bending  []BendingError `json:"daily_mean_errors"`
}

// Limit is one limit in force.
type Limit struct {
	Condition string  `json:"condition"`
	Value     float64 `json:"value" doc:"in the unit named beside it"`
	Unit      string  `json:"unit"`
	SetBy     string  `json:"set_by"`
	Assumed   bool    `json:"assumed" doc:"true when the limit has no published source"`
}

// Sensor is one sensor. A silent sensor has no readings.
type Sensor struct {
	ID          string     `json:"id"`
	Room        string     `json:"room"`
	Position    string     `json:"position,omitempty"`
	Topic       string     `json:"topic,omitempty"`
	Silent      bool       `json:"silent"`
	Quality     string     `json:"quality" doc:"QARTOD flag in words"`
	LastReading *time.Time `json:"last_reading,omitempty" doc:"also while silent; absent if never heard"`
	Interval    *float64   `json:"expected_interval_seconds,omitempty"`
	Temperature *float64   `json:"temperature_celsius,omitempty"`
	Humidity    *float64   `json:"relative_humidity_ratio,omitempty"`
	Battery     *float64   `json:"battery_ratio,omitempty"`
	Signal      *float64   `json:"signal_strength_dbm,omitempty"`
	Findings    []Finding  `json:"findings" doc:"what the quality tests complain of now"`
}

// CohortState is where a cohort stands.
type CohortState struct {
	ID          string    `json:"id"`
	Species     string    `json:"species"`
	SpeciesName string    `json:"species_name"`
	Room        string    `json:"room"`
	Stage       string    `json:"stage"`
	StageName   string    `json:"stage_name"`
	Individuals int       `json:"individuals"`
	Progress    float64   `json:"stage_progress_ratio"`
	ThermalTime float64   `json:"thermal_time_degree_days"`
	Estimated   float64   `json:"estimated_thermal_time_degree_days" doc:"part of the thermal time gathered over bridged gaps in the air"`
	CatchingUp  bool      `json:"catching_up" doc:"true while readings that arrived late are still to be taken into the thermal time"`
	HeatInjury  *float64  `json:"heat_injury_ratio,omitempty"`
	Assumed     bool      `json:"assumed" doc:"true when the species' constants are assumptions to verify on site"`
	Source      string    `json:"source,omitempty"`
	Start       time.Time `json:"start"`
	Note        string    `json:"note,omitempty"`
}

// Cohort is one cohort with its past and what is expected of it.
type Cohort struct {
	CohortState
	Stages   []Share   `json:"stages"`
	Expected []Event   `json:"expected"`
	Counts   []Count   `json:"counts" doc:"latest first"`
	Verdicts []Verdict `json:"verdicts" doc:"how each count agreed with what was known before it"`
	Losses   []Loss    `json:"losses"`
	Daily    []Numbers `json:"expected_daily" doc:"animals expected to pass each event on each day, today from now on"`
	Week     []Numbers `json:"expected_within_seven_days"`
	Rate     float64   `json:"rate_ratio" doc:"how fast the cohort is against its species"`
	RateSD   float64   `json:"rate_standard_deviation_ratio"`
}

// Verdict says how a count agreed with what was known before it.
type Verdict struct {
	Count    int64     `json:"count"`
	Time     time.Time `json:"time"`
	Stage    string    `json:"stage"`
	Expected float64   `json:"expected_animals"`
	Low      int       `json:"low_animals" doc:"low and high bound the central 80 %"`
	High     int       `json:"high_animals"`
	Chance   float64   `json:"chance_ratio" doc:"of a count at least as far off"`
	Conflict bool      `json:"conflict"`
}

// Loss is how many animals were lost in one stage to one cause.
type Loss struct {
	Stage  string `json:"stage"`
	Cause  string `json:"cause"`
	Number int    `json:"number"`
}

// Numbers are animals expected to pass an event in a span of time.
type Numbers struct {
	From     time.Time `json:"from"`
	Event    string    `json:"event"`
	Stage    string    `json:"stage" doc:"stage the animals enter"`
	Expected float64   `json:"expected_animals"`
	Low      float64   `json:"low_animals" doc:"low and high bound the central 80 %"`
	High     float64   `json:"high_animals"`
}

// ExpectedAir is what is expected of a room's air.
type ExpectedAir struct {
	From        string  `json:"from" doc:"set points, its own days, or the present temperature"`
	Days        int     `json:"days" doc:"days of the room that taught the doubt"`
	DayMeanSD   float64 `json:"day_mean_standard_deviation_celsius"`
	Persistence float64 `json:"persistence_ratio" doc:"correlation of the error from one day to the next"`
}

// BendingError is the error that daily means would make in one stage.
type BendingError struct {
	Species  string  `json:"species"`
	Stage    string  `json:"stage"`
	Days     int     `json:"days"`
	Relative float64 `json:"relative_error_ratio" doc:"error of using daily means (Kaufmann effect)"`
}

// Share is the share of the living in one stage.
type Share struct {
	Stage string  `json:"stage"`
	Ratio float64 `json:"ratio"`
}

// Event is a forecast; early and late bound the central 80 %.
type Event struct {
	Event  string    `json:"event"`
	Stage  string    `json:"stage" doc:"stage the animals enter"`
	Early  time.Time `json:"early"`
	Median time.Time `json:"median"`
	Late   time.Time `json:"late"`
}

// Count is what a keeper saw.
type Count struct {
	ID     int64     `json:"id"`
	Time   time.Time `json:"time"`
	Stage  string    `json:"stage"`
	Seen   int       `json:"seen"`
	Of     int       `json:"of,omitempty"`
	Lost   int       `json:"lost,omitempty"`
	Cause  string    `json:"cause,omitempty"`
	Beyond bool      `json:"or_beyond,omitempty" doc:"true when seen counts later stages too"`
	Length float64   `json:"length_millimeters,omitempty"`
	By     string    `json:"by"`
	Note   string    `json:"note,omitempty"`
	Undone bool      `json:"undone"`
}

// AlarmMeaning is what an alarm says and asks for.
type AlarmMeaning struct {
	Key           Key      `json:"key"`
	Occurrence    int64    `json:"occurrence"`
	Priority      string   `json:"priority"`
	State         string   `json:"state"`
	Active        bool     `json:"active" doc:"true while the condition is true"`
	Title         string   `json:"title"`
	Cause         string   `json:"cause,omitempty"`
	Consequence   string   `json:"consequence,omitempty"`
	FirstAction   string   `json:"first_action,omitempty"`
	TimeToRespond float64  `json:"time_to_respond_seconds"`
	Value         *float64 `json:"value,omitempty" doc:"in the unit named beside it"`
	Limit         *float64 `json:"limit,omitempty" doc:"in the unit named beside it"`
	Unit          string   `json:"unit,omitempty"`
	Detail        string   `json:"detail,omitempty"`
}

// Alarm is one alarm that is not in the normal state, with its course.
type Alarm struct {
	AlarmMeaning
	Raised         *time.Time `json:"raised,omitempty"`
	Cleared        *time.Time `json:"cleared,omitempty"`
	Acknowledged   *time.Time `json:"acknowledged,omitempty"`
	AcknowledgedBy string     `json:"acknowledged_by,omitempty"`
	Going          bool       `json:"going,omitempty" doc:"true while who acknowledged it is on the way"`
	ShelvedUntil   *time.Time `json:"shelved_until,omitempty"`
	ShelvedBy      string     `json:"shelved_by,omitempty"`
	ShelvedReason  string     `json:"shelved_reason,omitempty"`
	Due            *time.Time `json:"due,omitempty" doc:"time by which a person must have acted"`
	UnknownSince   *time.Time `json:"unknown_since,omitempty" doc:"since when there is no data to tell how it is now, so that the alarm is held as it was"`
	Missing        string     `json:"missing,omitempty" doc:"the data that are missing while unknown_since is given"`
	Cohorts        []string   `json:"cohorts"`
	Under          *Key       `json:"under,omitempty" doc:"root alarm this one follows from"`
}

// Incident is one trouble: alarms that are told and handled as one.
type Incident struct {
	Number  int64      `json:"number" doc:"occurrence of the alarm with which it began"`
	Room    string     `json:"room,omitempty" doc:"absent for what concerns the facility"`
	Title   string     `json:"title" doc:"the alarm to act on first, or the worst once it is over"`
	Began   time.Time  `json:"began"`
	Ended   *time.Time `json:"ended,omitempty"`
	Calls   int        `json:"calls" doc:"how often it called for somebody"`
	TakenBy string     `json:"taken_by,omitempty" doc:"who has it"`
	Taken   *time.Time `json:"taken,omitempty"`
	Going   bool       `json:"going,omitempty" doc:"true while who has it is on the way"`
	Called  []Called   `json:"called" doc:"who was called, in order"`
	Next    *NextCall  `json:"next,omitempty" doc:"who is called next unless somebody answers before"`
	Waiting *time.Time `json:"waiting,omitempty" doc:"since when nobody has answered"`
	InVain  *InVain    `json:"in_vain,omitempty" doc:"answer by which it has not got better"`
	Steps   []string   `json:"steps" doc:"what to do, in order"`
	Members []Member   `json:"members"`
}

// Called is a person who was called for an incident.
type Called struct {
	Person string    `json:"person" doc:"id of the configuration"`
	Name   string    `json:"name"`
	First  time.Time `json:"first" doc:"time of the first call"`
	Last   time.Time `json:"last" doc:"time of the last call"`
}

// NextCall says who is called next.
type NextCall struct {
	Names []string  `json:"names"`
	At    time.Time `json:"at"`
}

// InVain is an answer by which an incident has not got better.
type InVain struct {
	By    string    `json:"by"`
	Since time.Time `json:"since"`
	Going bool      `json:"going,omitempty" doc:"true if that person was on the way"`
	Then  *float64  `json:"value_then,omitempty" doc:"in the unit named beside it; absent for alarms without a value"`
	Now   *float64  `json:"value_now,omitempty" doc:"in the unit named beside it, when it was judged"`
	Unit  string    `json:"unit,omitempty"`
}

// Member is an alarm of an incident, with the facts as they were.
type Member struct {
	Key        Key        `json:"key"`
	Occurrence int64      `json:"occurrence"`
	Priority   string     `json:"priority"`
	Title      string     `json:"title"`
	Raised     time.Time  `json:"raised"`
	Cleared    *time.Time `json:"cleared,omitempty"`
	Value      *float64   `json:"value,omitempty" doc:"value furthest beyond its limit, absent for alarms without a value"`
	Limit      *float64   `json:"limit,omitempty" doc:"limit at that time"`
	Unit       string     `json:"unit,omitempty"`
	ValueAt    *time.Time `json:"value_at,omitempty"`
	Dose       *float64   `json:"dose,omitempty" doc:"how far the value was beyond the limit of the time, summed up over time, in unit times hours"`
}

// Key identifies an alarm.
type Key struct {
	Condition string `json:"condition"`
	Room      string `json:"room,omitempty" doc:"absent for alarms about rearguard itself"`
	Subject   string `json:"subject,omitempty" doc:"sensor or cohort, absent for the room as a whole"`
}

func (k Key) alarm() alerts.Key {
	return alerts.Key{Condition: alerts.Condition(k.Condition), Room: sensors.RoomID(k.Room), Subject: k.Subject}
}

func keyOf(k alerts.Key) Key { return Key{string(k.Condition), string(k.Room), k.Subject} }

// Species is a species a cohort can be entered for.
type Species struct {
	ID      string  `json:"id"`
	Name    string  `json:"name"`
	Latin   string  `json:"scientific_name,omitempty"`
	Assumed bool    `json:"assumed"`
	Stages  []Stage `json:"stages" doc:"in order of development"`
}

// Stage is a stage of a species.
type Stage struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Rejected is a message that could not be used.
type Rejected struct {
	Time    time.Time `json:"time"`
	Topic   string    `json:"topic"`
	Outcome string    `json:"outcome"`
	Reason  string    `json:"reason"`
	Excerpt string    `json:"excerpt"`
}

// AcknowledgeBody is the body of an acknowledgement.
type AcknowledgeBody struct {
	Key Key    `json:"key"`
	Who string `json:"who"`
}

// ShelveBody is the body of a shelving.
type ShelveBody struct {
	Key    Key     `json:"key"`
	Who    string  `json:"who"`
	For    float64 `json:"for_seconds" doc:"60 to 86400"`
	Reason string  `json:"reason"`
}

// CohortBody is the body of a new cohort.
type CohortBody struct {
	ID          string    `json:"id"`
	Species     string    `json:"species"`
	Room        string    `json:"room"`
	StartStage  string    `json:"start_stage,omitempty" doc:"the species' first stage when absent"`
	Individuals int       `json:"individuals"`
	Start       time.Time `json:"start,omitzero" doc:"now when absent"`
	Note        string    `json:"note,omitempty"`
	Who         string    `json:"who"`
}

// MoveBody is the body of a move.
type MoveBody struct {
	Room string    `json:"room"`
	At   time.Time `json:"at,omitzero" doc:"now when absent"`
	Who  string    `json:"who"`
}

// EndBody is the body of a closing.
type EndBody struct {
	At  time.Time `json:"at,omitzero" doc:"now when absent"`
	Who string    `json:"who"`
}

// CountBody is the body of a count.
type CountBody struct {
	Time  time.Time `json:"time,omitzero" doc:"now when absent"`
	Stage string    `json:"stage"`
	Seen  int       `json:"seen"`
	Of    int       `json:"of,omitempty" doc:"living animals looked at; absent if not noted"`
	Lost  int       `json:"lost,omitempty"`
	Cause string    `json:"cause,omitempty"`
	// Beyond and Length sharpen a count.
	Beyond bool    `json:"or_beyond,omitempty" doc:"true when seen counts later stages too"`
	Length float64 `json:"length_millimeters,omitempty" doc:"typical body length of the larvae; absent if not measured"`
	Note   string  `json:"note,omitempty"`
	Who    string  `json:"who"`
}

// WhoBody names the person.
type WhoBody struct {
	Who string `json:"who"`
}

// Problem is an error after RFC 9457.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail" doc:"what is wrong and what to do"`
	Field  string `json:"field,omitempty" doc:"key of the body that is wrong"`
}

func facilityOf(s *snapshot.Snapshot, version string) State {
	return State{
		Time: s.Time.UTC(), Name: s.Facility, Invented: s.Invented, Version: version,
		Rooms: len(s.Rooms), Sensors: len(s.Sensors), Cohorts: len(s.Cohorts), Alarms: len(s.Alarms),
		Broker: Broker{
			s.Broker.Address, s.Broker.Connected, s.Broker.Subscribed, instant(s.Broker.Since), s.Broker.Problem,
			s.SessionsLost, instant(s.SessionLost), instant(s.Broker.CertificateEnds),
		},
		Store:   Store{s.Store.OK, s.Store.Problem},
		Clock:   clockOf(&s.Clock),
		Pending: s.Pending,
		Notices: each(s.Notices, func(n *snapshot.NoticeTotal) Notice { return Notice{n.Channel, string(n.Outcome), n.Count} }),
		Overdue: s.Overdue,
		Proof:   Proof{instant(s.Proof.At), append([]string{}, s.Proof.Missing...), instant(s.Proof.Told), s.Proof.Problem},
		Failing: each(s.Failing, func(c *circuit.State) Channel {
			return Channel{c.Channel, c.Failures, c.Since.UTC(), c.Last.UTC(), c.Problem}
		}),
		MessageCount: each(s.Messages, func(m *desk.MessageTotal) Message { return Message{string(m.Outcome), m.Count} }),
	}
}

func clockOf(c *snapshot.Clock) Clock {
	out := Clock{Doubted: c.Doubt.Problem != "", Doubt: c.Doubt.Problem, Since: instant(c.Doubt.Since), Steps: c.Steps}
	if c.Steps > 0 {
		out.Last = &ClockStep{c.Last.From.UTC(), c.Last.To.UTC(), c.Last.Why}
	}
	return out
}
