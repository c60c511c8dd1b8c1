package daemon

import (
	"fmt"

	"rearguard/daemon/facility"
	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// addSensor takes up one configured sensor. After an error nothing of it is
// left.
func (c *core) addSensor(config *facility.Sensor) error {
	decoders := make([]payload.Decoder, len(config.Inputs))
	for i, in := range config.Inputs {
		if config.Retired {
			break // nothing of it is decoded any more
		}
		var err error
		if decoders[i], err = payload.New(in.Spec()); err != nil {
			return fmt.Errorf("sensor %s, topic %s: %w", config.ID, in.Topic, err)
		}
	}
	s := &sensorState{config: config, interval: config.Interval}
	if s.interval == 0 {
		s.interval = defaultInterval
	}
	if s.room = c.roomBy[config.Room]; s.room != nil {
		// A stretch without readings longer than any sensor's freshness is a
		// gap in the room's air.
		s.room.rules.MarkAfter = max(s.room.rules.MarkAfter, s.fresh())
	}
	for _, in := range config.Inputs {
		s.ownTime = s.ownTime || in.Time != nil || in.Format == payload.SenML || in.Format == payload.SenMLCBOR || in.Format == payload.Sparkplug
		for _, v := range in.Values {
			c.addSeries(s, v.Quantity)
		}
	}
	c.byID[config.ID] = s
	if config.Retired {
		c.retired = append(c.retired, s)
		if s.room != nil {
			s.room.past = append(s.room.past, s)
		}
		return nil
	}
	c.sensors = append(c.sensors, s)
	if s.room != nil {
		s.room.sensors = append(s.room.sensors, s)
	}
	for i, in := range config.Inputs {
		if err := c.addInput(s, in.Topic, decoders[i]); err != nil {
			return err
		}
	}
	if a := config.Availability; a != nil {
		c.watchers[a.Topic] = append(c.watchers[a.Topic], watcher{s, []byte(a.Online), []byte(a.Offline)})
		delete(c.unclaimed, a.Topic)
	}
	return nil
}

func (c *core) addSeries(s *sensorState, q sensors.Quantity) {
	if s.series[q] != nil {
		return
	}
	key := sensors.Series{Sensor: s.config.ID, Quantity: q}
	state := &seriesState{key: key, assess: quality.NewAssessor(q, c.qualityConfig(s.config, q))}
	for i, compared := range comparedQuantities() {
		if q == compared && s.room != nil && !s.config.Retired {
			state.neighbours = s.room.neighbours[i]
		}
	}
	s.series[q] = state
}

func (c *core) addInput(s *sensorState, topic string, decoder payload.Decoder) error {
	one := &input{sensor: s, decoder: decoder}
	for _, filter := range payload.Filters(decoder, topic) {
		if err := c.listenOn(filter, one); err != nil {
			return fmt.Errorf("sensor %s: %w", s.config.ID, err)
		}
	}
	if _, ok := decoder.(payload.Converser); ok {
		c.conversers = append(c.conversers, one)
	}
	c.claimed[topic] = true
	delete(c.unclaimed, topic)
	return nil
}
