package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// technicianRoutes are the pages for wiring, trusting and calibrating sensors.
func (s *Site) technicianRoutes() {
	s.mux.HandleFunc("GET /technician", s.page(technicianPage))
	s.mux.HandleFunc("POST /technician/find", s.startFinding)
	s.mux.HandleFunc("GET /technician/find/{since}", s.page(findPage))
	s.mux.HandleFunc("GET /technician/claim", s.page(claimPage))
	s.mux.HandleFunc("POST /technician/claim", s.post(postClaim))
	s.mux.HandleFunc("GET /sensors/{id}/bench", s.page(benchPage))
	s.mux.HandleFunc("POST /sensors/{id}/bench/start", s.post(postStartBench))
	s.mux.HandleFunc("POST /sensors/{id}/bench/read", s.post(postReadBench))
	s.mux.HandleFunc("POST /sensors/{id}/bench/finish", s.post(postFinishBench))
	s.mux.HandleFunc("POST /sensors/{id}/bench/leave", s.post(postLeaveBench))
	s.mux.HandleFunc("POST /sensors/{id}/reapply", s.post(postReapply))
	s.mux.HandleFunc("GET /sensors/{id}/history", s.page(s.historyPage))
	s.mux.HandleFunc("GET /certificates/{number}", s.page(certificatePage))
}

// Air are the sensor's series of temperature and humidity.
func (m sensorModel) Air() []daemon.SeriesView {
	var out []daemon.SeriesView
	for _, s := range m.Series {
		if s.Quantity == sensors.Temperature || s.Quantity == sensors.RelativeHumidity {
			out = append(out, s)
		}
	}
	return out
}

// From is how far the sensor is from its room's median in a quantity, nil if
// that cannot be said.
func (m sensorModel) From(q sensors.Quantity) *float64 {
	for _, s := range m.Series {
		if s.Quantity == q {
			return s.Offset
		}
	}
	return nil
}

// technicianPart finds the technician's page that a stream belongs to.
func technicianPart(path string, r *http.Request) (builder, bool) {
	if path == "/technician" {
		return technicianPage, true
	}
	if path == "/technician/claim" || strings.HasPrefix(path, "/certificates/") || strings.HasPrefix(path, "/sensors/") && strings.HasSuffix(path, "/history") {
		// Only what every page has is kept up to date.
		return func(*view, *http.Request) (pageSpec, error) { return pageSpec{}, nil }, true
	}
	if since, ok := strings.CutPrefix(path, "/technician/find/"); ok {
		r.SetPathValue("since", since)
		return findPage, true
	}
	// A form that was refused shows its page at its own address, one level
	// further down.
	if id, rest, ok := strings.Cut(strings.TrimPrefix(path, "/sensors/"), "/bench"); ok && (rest == "" || rest[0] == '/') && strings.HasPrefix(path, "/sensors/") {
		r.SetPathValue("id", id)
		return benchPage, true
	}
	return nil, false
}

// dueWithin is how long before its date a calibration is called for.
const dueWithin = 30 * 24 * time.Hour

type technicianModel struct {
	Due      []dueModel
	Trouble  []sensorModel
	OnBench  []sensorModel
	Topics   []topicModel
	Rest     int
	Single   []daemon.RoomView
	Apart    []apartModel
	Outside  []sensorModel
	Retired  []daemon.SensorView
	Settings []daemon.InForce
}

type dueModel struct {
	daemon.CalibrationDue
	Quantity string
}

// apartModel is a room whose sensors do not agree.
type apartModel struct {
	Room string
	ID   sensors.RoomID
	daemon.DisagreementView
}

// topicModel is one unclaimed topic.
type topicModel struct {
	*daemon.UnclaimedView
	V *view
	// By, Score and Marked are of the search under way.
	By, Score float64
	Known     bool
	Marked    bool
}

// Link is the address of the page that claims the topic.
func (t topicModel) Link() string { return "/technician/claim?topic=" + url.QueryEscape(t.Topic) }

// Values are the newest numbers, in words.
func (t topicModel) Values() string {
	var parts []string
	for _, f := range t.Fields {
		if f.Quantity != 0 {
			parts = append(parts, strings.ToLower(quantityName(f.Quantity))+" "+withUnit(strconv.FormatFloat(f.Value, 'f', -1, 64), f.Unit))
		}
	}
	for _, f := range t.Fields {
		if f.Quantity == 0 && len(parts) < 4 {
			parts = append(parts, strings.TrimSpace(f.At+" "+strconv.FormatFloat(f.Value, 'f', -1, 64)))
		}
	}
	if len(parts) == 0 {
		return "no numbers"
	}
	return strings.Join(parts, ", ")
}

// Messages is how many have come, in words.
func (t topicModel) Messages() string {
	if t.Count == 1 {
		return "1 message"
	}
	return grouped(t.Count) + " messages"
}

// Rate is how often messages come, in words.
func (t topicModel) Rate() string {
	switch {
	case t.PerMinute <= 0:
		return "once so far"
	case t.PerMinute >= 1.5:
		return fmt.Sprintf("%.0f a minute", t.PerMinute)
	}
	return "every " + span(time.Duration(60/t.PerMinute)*time.Second)
}

// shownTopics bounds the unclaimed topics on a page.
const shownTopics = 60

func technicianPage(v *view, _ *http.Request) (pageSpec, error) {
	var m technicianModel
	for _, d := range v.S.CalibrationsDue(dueWithin) {
		m.Due = append(m.Due, dueModel{d, strings.ToLower(quantityName(d.Series.Quantity))})
	}
	for i := range v.S.Sensors {
		s := sensorOf(v, &v.S.Sensors[i])
		if s.Bench != nil {
			m.OnBench = append(m.OnBench, s)
		} else if len(s.Findings) > 0 || s.Silent {
			m.Trouble = append(m.Trouble, s)
		}
		if s.Room == "" {
			m.Outside = append(m.Outside, s)
		}
	}
	for _, r := range v.S.Rooms {
		if r.TotalSensors == 1 {
			m.Single = append(m.Single, r)
		}
		for _, d := range r.Disagreements {
			if d.Raised {
				m.Apart = append(m.Apart, apartModel{v.roomName(r.ID), r.ID, d})
			}
		}
	}
	m.Topics, m.Rest = topicsOf(v)
	m.Retired, m.Settings = v.S.Retired, v.S.Certificates
	return pageSpec{Title: "Technician", Data: m, Sections: []sectionSpec{{"technician-find", false}, {"technician", true}}}, nil
}

func topicsOf(v *view) (topics []topicModel, rest int) {
	for i := range v.S.Unclaimed {
		if len(topics) >= shownTopics {
			return topics, len(v.S.Unclaimed) - len(topics)
		}
		topics = append(topics, topicModel{UnclaimedView: &v.S.Unclaimed[i], V: v})
	}
	return topics, 0
}

// startFinding begins a search at the engine's present.
func (s *Site) startFinding(w http.ResponseWriter, r *http.Request) {
	v, ok := s.newView(r)
	if !ok {
		s.starting(w, r)
		return
	}
	http.Redirect(w, r, "/technician/find/"+strconv.FormatInt(v.S.Time.UnixMilli(), 10), http.StatusSeeOther)
}

type findModel struct {
	Since  time.Time
	Topics []topicModel
	Marked *topicModel
	// Heard is how many topics have sent something since.
	Heard int
}

func findPage(v *view, r *http.Request) (pageSpec, error) {
	ms, err := strconv.ParseInt(r.PathValue("since"), 10, 64)
	if err != nil {
		return pageSpec{}, fmt.Errorf("search %q is %w", r.PathValue("since"), entry.ErrUnknown)
	}
	m := findModel{Since: time.UnixMilli(ms).UTC()}
	var traces []quality.Trace
	for _, t := range v.S.Unclaimed {
		for _, f := range t.Fields {
			if f.Quantity == sensors.Temperature || f.Quantity == sensors.RelativeHumidity || f.Quantity == 0 {
				traces = append(traces, quality.Trace{Name: t.Topic, Points: f.Trace})
			}
		}
	}
	rises := quality.Identify(traces, m.Since)
	m.Heard = len(rises)
	for _, rise := range rises {
		i := slices.IndexFunc(v.S.Unclaimed, func(t daemon.UnclaimedView) bool { return t.Topic == rise.Name })
		t := topicModel{UnclaimedView: &v.S.Unclaimed[i], V: v, By: rise.By, Score: rise.Score, Known: true, Marked: rise.Marked}
		m.Topics = append(m.Topics, t)
		if rise.Marked {
			m.Marked = &t
		}
	}
	m.Topics = m.Topics[:min(len(m.Topics), 12)]
	return pageSpec{Title: "Which one is it?", Data: m, Sections: []sectionSpec{{"find", true}, {"find-again", false}}}, nil
}

type claimModel struct {
	Topic     topicModel
	Suggested string
	Fields    []claimField
	Rooms     []daemon.RoomView
	Retired   []daemon.SensorView
}

// claimField is one number with what it may be.
type claimField struct {
	daemon.UnclaimedField
	N       int
	Chosen  string
	Choices []claimChoice
}

// claimChoice is a quantity with a unit, as one option of a list.
type claimChoice struct{ Value, Text string }

func claimPage(v *view, r *http.Request) (pageSpec, error) {
	topic := r.FormValue("topic")
	t, err := entry.FindUnclaimed(v.S, topic)
	if err != nil {
		return pageSpec{}, err
	}
	m := claimModel{Topic: topicModel{UnclaimedView: t, V: v}, Suggested: suggestedID(topic), Rooms: v.S.Rooms, Retired: v.S.Retired}
	for i, f := range t.Fields {
		c := claimField{UnclaimedField: f, N: i, Choices: choicesFor(f)}
		if f.Quantity != 0 && !slices.ContainsFunc(m.Fields, func(o claimField) bool { return o.Quantity == f.Quantity }) {
			c.Chosen = f.Quantity.String() + " " + f.Unit
		}
		if sent := v.Form.Get("value" + strconv.Itoa(i)); len(v.Form) > 0 {
			c.Chosen = sent
		}
		m.Fields = append(m.Fields, c)
	}
	return pageSpec{Title: "Claim a sensor", Data: m, Sections: []sectionSpec{{"claim", false}}}, nil
}

// choicesFor are all quantities and units that a number may be in.
func choicesFor(f daemon.UnclaimedField) []claimChoice {
	var out []claimChoice
	for _, q := range []sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity, sensors.Battery, sensors.SignalStrength} {
		for _, unit := range payload.Units(q) {
			if f.Sure && (f.Quantity != q || f.Unit != unit) {
				continue
			}
			out = append(out, claimChoice{q.String() + " " + unit, strings.ToLower(quantityName(q)) + " in " + unit})
		}
	}
	return out
}

// suggestedID makes an id of the last levels of a topic.
func suggestedID(topic string) string {
	parts := strings.FieldsFunc(strings.ToLower(topic), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9')
	})
	return strings.Join(parts[max(0, len(parts)-2):], "-")
}

func postClaim(f form) (outcome, builder, error) {
	t, err := entry.FindUnclaimed(f.S, f.get("topic"))
	if err != nil {
		return outcome{}, nil, err
	}
	sensor := facility.Sensor{
		ID: sensors.SensorID(f.get("id")), Position: f.get("position"), Replaces: sensors.SensorID(f.get("replaces")),
	}
	if room := f.get("room"); sensors.Place(room).Outside() {
		sensor.Place = sensors.Place(room)
	} else {
		sensor.Room = sensors.RoomID(strings.TrimPrefix(room, "room:"))
	}
	if h := f.get("height"); h != "" {
		height, err := decimal(h)
		if err != nil || height < 0 || height > 50 {
			return outcome{}, claimPage, &entry.FieldError{Field: "height", Reason: "enter the height in metres, 0 to 50, or leave it empty"}
		}
		sensor.HeightM = &height
	}
	in := facility.Input{Topic: t.Topic, Format: t.Format}
	if t.Time != nil && t.Format == payload.JSON {
		in.Time = &facility.TimeField{At: t.Time.At, Unit: t.Time.Unit}
	}
	for i, field := range t.Fields {
		name, unit, ok := strings.Cut(f.get("value"+strconv.Itoa(i)), " ")
		if !ok {
			continue
		}
		q, err := sensors.ParseQuantity(name)
		if err != nil {
			return outcome{}, claimPage, &entry.FieldError{Field: "values", Reason: err.Error()}
		}
		value := facility.Value{Quantity: q, At: field.At, Unit: unit}
		if field.Sure {
			// The payload itself states the unit.
			value.Unit = ""
		}
		in.Values = append(in.Values, value)
	}
	sensor.Inputs = []facility.Input{in}
	cmd, err := entry.ClaimSensor(f.S, sensor, f.get("who"))
	return outcome{cmd, cmd.Who, "claimed", "/sensors/" + url.PathEscape(string(sensor.ID))}, claimPage, err
}

// decimal reads a number as people write it.
func decimal(s string) (float64, error) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(s), ",", ".", 1), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return v, nil
}
