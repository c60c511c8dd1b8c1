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

// inOne is what of a list for one person and channel is told in one message:
// more than a handful of alarms together, else the most urgent. A test is never
// told with others.
func inOne(list []collapsed) []collapsed {
	alarms := slices.DeleteFunc(slices.Clone(list), func(c collapsed) bool { return c.alarm.Kind == Test })
	if len(alarms) > handful {
		return alarms
	}
	return list[:1]
}

// composeAll makes one message of what is to be told to one person by one
// channel, the most urgent first. An address to answer at is made for that.
func (o *Options) composeAll(list []collapsed, remarks ...string) Message {
	now := o.Now()
	first := list[0]
	if o.Answer != nil && !first.alarm.Ended() {
		first.alarm.Answer = o.Answer(first.lead, first.alarm, now)
	}
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
