package notify

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"

	"rearguard/alerts/notify/letter"
)

// compose makes the message of a notice.
func compose(n Notice, a AlarmNotice, now time.Time, remarks ...string) Message {
	m := Message{Notice: n, Alarm: a, Now: now}
	m.Subject, m.Body = letter.Render(a, now, remarks...)
	return m
}

// composeAll makes one message of what is to be told to one person by one
// channel, the most urgent first.
func composeAll(list []collapsed, now time.Time, remarks ...string) Message {
	first := list[0]
	if len(list) == 1 {
		return compose(first.lead, first.alarm, now, remarks...)
	}
	m := Message{Notice: first.lead, Alarm: first.alarm, Now: now}
	keys := make([]string, len(list))
	for i := range list {
		keys[i] = list[i].lead.Key
		if i > 0 {
			m.Also = append(m.Also, list[i].alarm)
		}
	}
	// The same alarms are the same message, in whichever order they waited.
	slices.Sort(keys)
	sum := sha256.Sum256([]byte(strings.Join(keys, "\n")))
	m.Notice.Key = "together/" + hex.EncodeToString(sum[:])
	m.Subject, m.Body = letter.RenderAll(append([]AlarmNotice{first.alarm}, m.Also...), now, remarks...)
	return m
}
