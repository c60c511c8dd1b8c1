package technician

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"rearguard/daemon/facility"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
	"rearguard/sensors/unclaimed"
)

type claimModel struct {
	Topic     topicModel
	Suggested string
	Fields    []claimField
	Rooms     []snapshot.Room
	Retired   []desk.View
}

// claimField is one number with what it may be.
type claimField struct {
	unclaimed.FieldView
	N       int
	Chosen  string
	Choices []claimChoice
}

// claimChoice is a quantity with a unit, as one option of a list.
type claimChoice struct{ Value, Text string }

func claimPage() page.Page {
	return page.Page{Path: "/technician/claim", Sections: []page.Section{page.Fixed("claim")}, Build: buildClaim}
}

func buildClaim(v *page.View, r *http.Request) (page.Content, error) {
	topic := r.FormValue("topic")
	t, err := v.S.UnclaimedTopic(topic)
	if err != nil {
		return page.Content{}, err
	}
	m := claimModel{Topic: topicModel{TopicView: t, V: v}, Suggested: suggestedID(topic), Rooms: v.S.Rooms, Retired: v.S.Retired}
	for i, f := range t.Fields {
		c := claimField{FieldView: f, N: i, Choices: choicesFor(f)}
		if f.Quantity != 0 && !slices.ContainsFunc(m.Fields, func(o claimField) bool { return o.Quantity == f.Quantity }) {
			c.Chosen = f.Quantity.String() + " " + f.Unit
		}
		if sent := v.Form.Get("value" + strconv.Itoa(i)); len(v.Form) > 0 {
			c.Chosen = sent
		}
		m.Fields = append(m.Fields, c)
	}
	return page.Content{Title: "Claim a sensor", Data: m}, nil
}

// choicesFor are all quantities and units that a number may be in.
func choicesFor(f unclaimed.FieldView) []claimChoice {
	var out []claimChoice
	for _, q := range []sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity, sensors.Battery, sensors.SignalStrength} {
		for _, unit := range payload.Units(q) {
			if f.Sure && (f.Quantity != q || f.Unit != unit) {
				continue
			}
			out = append(out, claimChoice{q.String() + " " + unit, strings.ToLower(format.Quantity(q)) + " in " + unit})
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

func claim(f *page.Form) (page.Outcome, error) {
	t, err := f.S.UnclaimedTopic(f.Text("topic"))
	if err != nil {
		return page.Outcome{}, err
	}
	sensor := facility.Sensor{
		ID: sensors.SensorID(f.Text("id")), Position: f.Text("position"), Replaces: sensors.SensorID(f.Text("replaces")),
		HeightM: f.Between("height", 0, 50, "enter the height in metres, 0 to 50, or leave it empty"),
	}
	room := f.Text("room")
	if place := sensors.Place(room); place.Outside() {
		sensor.Place = place
	} else {
		sensor.Room = sensors.RoomID(strings.TrimPrefix(room, "room:"))
	}
	in := facility.Input{Topic: t.Topic, Format: t.Format}
	if t.Time != nil && t.Format == payload.JSON {
		in.Time = &facility.TimeField{At: t.Time.At, Unit: t.Time.Unit}
	}
	for i, field := range t.Fields {
		name, unit, ok := strings.Cut(f.Text("value"+strconv.Itoa(i)), " ")
		if !ok {
			continue
		}
		q, err := sensors.ParseQuantity(name)
		if err != nil {
			f.Refuse("values", err.Error())
			continue
		}
		value := facility.Value{Quantity: q, At: field.At, Unit: unit}
		if field.Sure {
			// The payload itself states the unit.
			value.Unit = ""
		}
		in.Values = append(in.Values, value)
	}
	sensor.Inputs = []facility.Input{in}
	cmd, err := entry.ClaimSensor(f.S, sensor, f.Text("who"))
	return page.Outcome{Command: cmd, Done: "claimed", Back: sensorPath(sensor.ID)}, err
}
