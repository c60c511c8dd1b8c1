package facility

import (
	"strings"
	"unicode/utf8"
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

// Topics returns every topic a sensor claims, once, in order of the file.
func (f *Facility) Topics() []string {
	var topics []string
	seen := map[string]bool{}
	for _, s := range f.Sensors {
		for _, in := range s.Inputs {
			if !seen[in.Topic] {
				seen[in.Topic] = true
				topics = append(topics, in.Topic)
			}
		}
	}
	return topics
}
