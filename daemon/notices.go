package daemon

import (
	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/facility"
	"rearguard/daemon/records"
)

// roster is the configuration's roster in the terms of notify.
func roster(duties []facility.Duty) []notify.Duty {
	out := make([]notify.Duty, len(duties))
	for i, d := range duties {
		out[i] = notify.Duty{People: d.Who, Channels: d.Channels, Priorities: d.Priorities}
	}
	return out
}

// house is what every notice says of the facility.
func (c *core) house() notify.House {
	h := notify.House{Facility: c.facility.Site.Name, Invented: c.invented, Zone: c.facility.Site.Location.String()}
	if base := c.facility.Web.PublicURL; base != "" {
		h.Link = func(alerts.Key) string { return base + "/alarms" }
	}
	return h
}

// notices are the rows of the outbox that follow from a step of an alarm.
func (c *core) notices(t alerts.Transition) ([]records.OutboxRow, error) {
	def, _ := c.machine.Definition(t.Key.Condition)
	name := ""
	if room := c.roomBy[t.Key.Room]; room != nil {
		name = room.config.Name
	}
	news, tell := notify.News(c.house(), t, t.Alarm, def, name)
	if !tell {
		return nil, nil
	}
	planned, err := notify.Plan(c.roster, news)
	if err != nil {
		return nil, err
	}
	rows := make([]records.OutboxRow, len(planned))
	for i, n := range planned {
		rows[i] = records.OutboxRow{
			Key: n.Key, Occurrence: n.Occurrence, Channel: n.Channel, Recipient: n.Recipient,
			Payload: n.Payload, CreatedAt: n.CreatedAt, DueAt: n.DueAt,
		}
	}
	return rows, nil
}
