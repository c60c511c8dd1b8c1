package desk

import (
	"fmt"
	"strings"

	"rearguard/sensors/payload"
)

// routes find the sensors that want the messages of a topic.
type routes struct {
	// topics are the inputs by topic, prefixes those by all but the last level
	// of it; claimed are the topics that sensors are configured with.
	topics, prefixes map[string][]*input
	claimed          map[string]bool
	// watchers want to know on which topic a sensor says that it is there.
	watchers   map[string][]watcher
	conversers []payload.Converser
}

// input is one topic of one sensor.
type input struct {
	sensor *Sensor
	topic  string
	// dated is set when each value carries a time of its own.
	dated    bool
	decoder  payload.Decoder
	presence payload.Presence
	// memory is what was stored of the decoder's, touched is set once the
	// decoder may have learned more.
	memory  []byte
	touched bool
}

// watcher is a sensor that says on a topic whether it is there.
type watcher struct {
	sensor          *Sensor
	online, offline []byte
}

func newRoutes() routes {
	return routes{
		topics: make(map[string][]*input), prefixes: make(map[string][]*input),
		claimed: make(map[string]bool), watchers: make(map[string][]watcher),
	}
}

// of are the inputs that want the messages of a topic.
func (r *routes) of(topic string) []*input {
	if inputs := r.topics[topic]; len(inputs) > 0 || len(r.prefixes) == 0 {
		return inputs
	}
	return r.prefixes[topic[:strings.LastIndexByte(topic, '/')+1]]
}

// routable says whether topic filters can be routed: one with a wildcard has
// it as its last level, as those of Sparkplug have.
func routable(filters []string) error {
	for _, filter := range filters {
		if strings.ContainsAny(strings.TrimSuffix(filter, "+"), "+#") {
			return fmt.Errorf("topic filter %s: a wildcard elsewhere than at the end", filter)
		}
	}
	return nil
}

// add enters an input under the filters that its decoder wants.
func (r *routes) add(topic string, in *input) {
	for _, filter := range payload.Filters(in.decoder, topic) {
		if prefix, wild := strings.CutSuffix(filter, "+"); wild {
			r.prefixes[prefix] = append(r.prefixes[prefix], in)
		} else {
			r.topics[filter] = append(r.topics[filter], in)
		}
	}
	if converser, ok := in.decoder.(payload.Converser); ok {
		r.conversers = append(r.conversers, converser)
	}
	r.claimed[topic] = true
}

func (r *routes) watch(s *Sensor, a *Announcement) {
	r.watchers[a.Topic] = append(r.watchers[a.Topic], watcher{s, []byte(a.Online), []byte(a.Offline)})
}
