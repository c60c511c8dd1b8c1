package facility

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"rearguard/sensors/payload"
)

// topicLimitBytes is the longest topic of MQTT 3.1.1 (section 1.5.3).
const topicLimitBytes = 65535

// topicProblem says what is wrong with the name of a topic (MQTT 3.1.1
// section 4.7), "" if nothing.
func topicProblem(topic string) string {
	switch {
	case topic == "":
		return "a topic cannot be empty"
	case strings.ContainsAny(topic, "+#"):
		return "a sensor's topic cannot hold the wildcards + and #"
	case strings.HasPrefix(topic, "$"):
		return "topics that start with $ belong to the broker"
	}
	return textProblem(topic)
}

// filterProblem is the same for a subscription's filter.
func filterProblem(filter string) string {
	if filter == "" {
		return "a topic filter cannot be empty"
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		switch {
		case strings.Contains(level, "#") && (level != "#" || i != len(levels)-1):
			return "# must be the last level of a filter, alone between slashes"
		case strings.Contains(level, "+") && level != "+":
			return "+ must stand alone between slashes"
		}
	}
	return textProblem(filter)
}

func textProblem(topic string) string {
	switch {
	case len(topic) > topicLimitBytes:
		return "a topic cannot be longer than 65535 bytes"
	case !utf8.ValidString(topic) || strings.ContainsFunc(topic, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return "a topic cannot hold control characters"
	}
	return ""
}

// Topics returns every topic that sensors in use are configured with, once, in order of the file.
func (f *Facility) Topics() []string {
	var topics []string
	seen := map[string]bool{}
	for _, s := range f.Sensors {
		if s.Retired {
			continue
		}
		for _, in := range s.Inputs {
			if !seen[in.Topic] {
				seen[in.Topic] = true
				topics = append(topics, in.Topic)
			}
		}
	}
	return topics
}

// Filters returns the topic filters that hold everything the sensors say, once
// each, in order of the file: those of their inputs and of their availability.
func (f *Facility) Filters() ([]string, error) {
	var filters []string
	seen := map[string]bool{}
	add := func(list ...string) {
		for _, filter := range list {
			if !seen[filter] {
				seen[filter] = true
				filters = append(filters, filter)
			}
		}
	}
	for _, s := range f.Sensors {
		if s.Retired {
			continue
		}
		for _, in := range s.Inputs {
			decoder, err := payload.New(in.Spec())
			if err != nil {
				return nil, fmt.Errorf("sensor %s, topic %s: %w", s.ID, in.Topic, err)
			}
			add(payload.Filters(decoder, in.Topic)...)
		}
		if s.Availability != nil {
			add(s.Availability.Topic)
		}
	}
	return filters, nil
}
