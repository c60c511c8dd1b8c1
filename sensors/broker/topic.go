package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// maxString is the longest MQTT string in bytes, maxPacket the longest MQTT
// packet (MQTT 3.1.1 sections 1.5.3 and 2.2.3).
const (
	maxString = 65535
	maxPacket = 268435455
)

// FilterStore remembers over restarts which topic filters the broker's
// session is subscribed to.
type FilterStore interface {
	// SubscribedFilters returns what was saved last, nothing at first.
	SubscribedFilters(ctx context.Context) ([]string, error)
	// SaveSubscribedFilters replaces what is remembered.
	SaveSubscribedFilters(ctx context.Context, filters []string) error
}

// checkTopic reports why topic cannot be published to.
func checkTopic(topic string) error {
	if strings.ContainsAny(topic, "+#") {
		return fmt.Errorf("topic %q has a wildcard", topic)
	}
	return checkString("topic", topic)
}

// checkFilter reports why filter cannot be subscribed to (MQTT 3.1.1 section
// 4.7).
func checkFilter(filter string) error {
	if err := checkString("topic filter", filter); err != nil {
		return err
	}
	if strings.HasPrefix(filter, "$share/") {
		return fmt.Errorf("topic filter %q: a shared subscription gives this rearguard only a part of the messages", filter)
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		if len(level) > 1 && strings.ContainsAny(level, "+#") {
			return fmt.Errorf("topic filter %q: a wildcard must stand alone between slashes", filter)
		}
		if level == "#" && i != len(levels)-1 {
			return fmt.Errorf("topic filter %q: '#' must come last", filter)
		}
	}
	return nil
}

func checkString(what, s string) error {
	switch {
	case s == "":
		return errors.New("empty " + what)
	case len(s) > maxString:
		return fmt.Errorf("%s of %d bytes is longer than %d", what, len(s), maxString)
	case !utf8.ValidString(s) || strings.ContainsRune(s, 0):
		return fmt.Errorf("%s %q is not valid text", what, s)
	}
	return nil
}

// Match reports whether a subscription to filter includes topic (MQTT 3.1.1
// section 4.7): '+' is one level, '#' is the parent and all below, and a
// leading wildcard does not include topics that begin with '$'.
func Match(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") && (strings.HasPrefix(filter, "+") || strings.HasPrefix(filter, "#")) {
		return false
	}
	for {
		f, restF, moreF := strings.Cut(filter, "/")
		if f == "#" {
			return true
		}
		t, restT, moreT := strings.Cut(topic, "/")
		if f != "+" && f != t {
			return false
		}
		if !moreT {
			return !moreF || restF == "#"
		}
		if !moreF {
			return false
		}
		filter, topic = restF, restT
	}
}
