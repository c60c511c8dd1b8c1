package delivery

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/alerts/notify"
)

// MostRepeats is the share of notices that may arrive again.
const MostRepeats = 0.001

// MostTime is how long the first notice may take, of a hundred the slowest left
// out, where nothing is in its way.
const MostTime = 2 * time.Second

// Report is what was measured.
type Report struct {
	Seed uint64 `json:"seed"`
	// Notices are those that were written, of which Delivered are marked so and
	// Otherwise were told by another channel, or with newer ones.
	Notices   int `json:"notices"`
	Delivered int `json:"delivered"`
	Otherwise int `json:"told_otherwise"`
	// Lost never arrived.
	Lost     int `json:"lost"`
	Messages int `json:"messages_arrived"`
	// Repeats arrived again, Unmarked of them under another id; Unheard is how
	// often a proxy lost the answer to what was taken.
	Repeats  int            `json:"repeats"`
	Unmarked int            `json:"repeats_unmarked"`
	Unheard  int            `json:"answers_lost"`
	Kills    int            `json:"kills"`
	Faults   map[string]int `json:"faults"`
	// Alertmanager is set where one took part; Known is of how many rooms it knew
	// at the end.
	Alertmanager bool `json:"alertmanager"`
	Known        int  `json:"alertmanager_rooms"`
	// Quiet and Faulty are the times from a reading to the first notice, without
	// faults and with them.
	Quiet    Times    `json:"without_faults"`
	Faulty   Times    `json:"with_faults"`
	Problems []string `json:"problems"`
}

// Times are how long something took, in seconds.
type Times struct {
	Count  int     `json:"count"`
	Median float64 `json:"median_seconds"`
	P99    float64 `json:"p99_seconds"`
	Most   float64 `json:"most_seconds"`
}

func timesOf(list []time.Duration) Times {
	if len(list) == 0 {
		return Times{}
	}
	slices.Sort(list)
	at := func(share float64) float64 {
		return list[max(0, int(math.Ceil(share*float64(len(list))))-1)].Seconds()
	}
	return Times{len(list), at(0.5), at(0.99), at(1)}
}

// lost counts a notice that never arrived.
func (r *Report) lost(is bool, n *notify.Notice, why string) {
	if !is {
		return
	}
	r.Lost++
	if r.Lost <= 10 {
		r.Problems = append(r.Problems, fmt.Sprintf("notice %d to %s by %s: %s (%s, %q)", n.ID, n.Recipient, n.Channel, why, n.State, n.LastError))
	}
}

// Good reports whether all holds that is promised.
func (r *Report) Good() bool {
	return r.Lost == 0 && r.Unmarked == 0 && float64(r.Repeats) <= MostRepeats*float64(r.Notices) && r.Quiet.P99 <= MostTime.Seconds() && len(r.Problems) == 0
}

// WriteJSON writes the report for programs.
func (r *Report) WriteJSON(w io.Writer) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(r)
}

// WriteText writes the report for people.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	line := func(what, format string, args ...any) {
		fmt.Fprintf(&b, "%-34s %s\n", what, fmt.Sprintf(format, args...))
	}
	line("seed", "%d", r.Seed)
	line("notices", "%d, %d delivered, %d told otherwise", r.Notices, r.Delivered, r.Otherwise)
	line("messages that arrived", "%d", r.Messages)
	line("kill -9", "%d", r.Kills)
	line("lost", "%d", r.Lost)
	share := 0.0
	if r.Notices > 0 {
		share = 100 * float64(r.Repeats) / float64(r.Notices)
	}
	line("arrived again", "%d (%.3f %%), of them %d without the same id; the answer to %d was lost on the way", r.Repeats, share, r.Unmarked, r.Unheard)
	if r.Alertmanager {
		line("rooms that Alertmanager knows", "%d of %d", r.Known, waves)
	} else {
		line("Alertmanager", "not installed, not measured")
	}
	names := make([]string, 0, len(r.Faults))
	for name := range r.Faults {
		names = append(names, name)
	}
	slices.Sort(names)
	for i, name := range names {
		names[i] = fmt.Sprintf("%s %d", name, r.Faults[name])
	}
	line("faults", "%s", strings.Join(names, ", "))
	for _, t := range []struct {
		what string
		Times
	}{{"reading to first notice", r.Quiet}, {"the same with faults", r.Faulty}} {
		line(t.what, "median %.0f ms, p99 %.0f ms, most %.0f ms, of %d", 1000*t.Median, 1000*t.P99, 1000*t.Most, t.Count)
	}
	for _, p := range r.Problems {
		line("PROBLEM", "%s", p)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
