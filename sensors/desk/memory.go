package desk

import (
	"bytes"
	"encoding/json"
	"fmt"

	"rearguard/sensors/payload"
)

// MemoryPrefix begins the names of what TakeMemory returns.
const MemoryPrefix = "desk/"

// outcomesName is where the counts of messages are kept.
const outcomesName = MemoryPrefix + "messages"

// TakeMemory gives each piece of what was learned from messages since the last
// call to keep, by a name of its own: it is to be stored together with the
// readings of these messages, which are acknowledged then and never come
// again. What is only worth storing beside something else is given when
// writing is set.
func (d *Desk) TakeMemory(writing bool, keep func(name string, body []byte)) error {
	if writing && d.Intake.miscounted {
		body, err := json.Marshal(d.Intake.outcomes)
		if err != nil {
			return fmt.Errorf("counts of messages: %w", err)
		}
		keep(outcomesName, body)
		d.Intake.miscounted = false
	}
	d.deliveries.keepMemory(keep)
	for _, s := range d.sensors {
		for _, in := range s.inputs {
			if err := in.keepMemory(keep); err != nil {
				return err
			}
		}
	}
	return nil
}

// memoryName is where the memory of a decoder is kept.
func (in *input) memoryName() string {
	return MemoryPrefix + "learned/" + string(in.sensor.config.ID) + "/" + in.topic
}

func (in *input) keepMemory(keep func(name string, body []byte)) error {
	learner, ok := in.decoder.(payload.Learner)
	if !ok || !in.touched {
		return nil
	}
	in.touched = false
	body, err := learner.Memory()
	if err != nil {
		return fmt.Errorf("sensor %s, what was learned on %s: %w", in.sensor.config.ID, in.topic, err)
	}
	if !bytes.Equal(body, in.memory) {
		in.memory = body
		keep(in.memoryName(), body)
	}
	return nil
}

func (in *input) recall(memory map[string][]byte) error {
	learner, ok := in.decoder.(payload.Learner)
	body, known := memory[in.memoryName()]
	if !ok || !known {
		return nil
	}
	if err := learner.Recall(body); err != nil {
		return fmt.Errorf("sensor %s, what was learned on %s: %w", in.sensor.config.ID, in.topic, err)
	}
	in.memory = body
	if p, ok := in.decoder.(payload.Presencer); ok {
		in.presence = p.Presence()
	}
	return nil
}

// missing says what the sensor's messages cannot be understood without, empty
// for nothing.
func (s *Sensor) missing() string {
	for _, in := range s.inputs {
		if learner, ok := in.decoder.(payload.Learner); ok {
			if missing := learner.Missing(); missing != "" {
				return missing
			}
		}
	}
	return ""
}

// Recall puts back what was stored of TakeMemory, after everything of the past
// has been handled again.
func (d *Desk) Recall(memory map[string][]byte) error {
	if body, ok := memory[outcomesName]; ok {
		clear(d.Intake.outcomes)
		if err := json.Unmarshal(body, &d.Intake.outcomes); err != nil {
			return fmt.Errorf("counts of messages: %w", err)
		}
	}
	d.deliveries.recall(memory)
	for _, s := range d.sensors {
		for _, in := range s.inputs {
			if err := in.recall(memory); err != nil {
				return err
			}
		}
	}
	return nil
}
