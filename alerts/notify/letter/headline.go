package letter

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rearguard/alerts/wording"
)

// HeadlineLimit is how many characters a headline has at most: a locked phone
// shows no more of a message.
const HeadlineLimit = 60

const (
	// leastRoom is how many characters of the place are kept before more is
	// said in fewer words.
	leastRoom = 20
	// leastName is how much of a name is left.
	leastName = 2
	// mostWho is how much of the name of who has it is told.
	mostWho = 16
)

// headline is a subject in its parts. What is wrong, how much and how long is
// left are told in full, in fewer words where there is no room; the place is
// shortened.
type headline struct {
	reader wording.Reader
	// frame holds what is wrong, with the state of the incident in front; bare is that
	// for an incident without a place.
	frame, bare string
	place       func(most int) string
	value       string
	// left and brief say how long is left.
	left, brief string
	// behind stands at the end, such as how many more there are.
	behind, behindBrief string
}

// text is the headline, at most HeadlineLimit characters long.
func (h *headline) text(title string) string {
	full, short := h.reader.Word(title), h.reader.Brief(title)
	if length(short) >= length(full) {
		short = full
	}
	for _, in := range []struct {
		what, left, behind string
		room               int
	}{
		{full, h.left, h.behind, HeadlineLimit}, {short, h.left, h.behind, HeadlineLimit}, {short, h.brief, h.behindBrief, HeadlineLimit},
		{short, h.left, h.behind, leastRoom}, {short, h.brief, h.behindBrief, leastName},
	} {
		rest := h.frame
		if h.place(HeadlineLimit) == "" {
			rest = h.bare
		}
		what := OneLine(strings.TrimSpace(in.what + " " + h.value))
		without := length(h.fill(rest, "", what, in.left, in.behind))
		whole := h.place(HeadlineLimit * 4)
		switch room := HeadlineLimit - without; {
		case length(whole) <= room:
			return h.fill(rest, whole, what, in.left, in.behind)
		case room >= in.room:
			return h.fill(rest, h.place(room), what, in.left, in.behind)
		}
	}
	// A title that nobody has made a short one for.
	what := OneLine(strings.TrimSpace(short + " " + h.value))
	without := length(h.fill(h.bare, "", "", h.brief, h.behindBrief))
	return shorten(h.fill(h.bare, "", shorten(what, HeadlineLimit-without), h.brief, h.behindBrief), HeadlineLimit)
}

func (h *headline) fill(frame, place, what, left, behind string) string {
	return strings.TrimSpace(strings.NewReplacer("{place}", OneLine(place), "{what}", what, "{left}", left).Replace(frame) + behind)
}

// headline is the subject of a notice as of a time, with what stands behind it.
func (n *AlarmNotice) headline(now time.Time, more int) string {
	r := n.Reader()
	if n.Kind == Test {
		return n.testLine(r)
	}
	h := headline{reader: r, place: n.placeWithin}
	switch n.Kind {
	case Cleared, Over:
		h.frame, h.bare = r.Word("Back to normal: {place} (was: {what}{left})"), r.Word("Back to normal (was: {what}{left})")
		h.left = ", " + r.Left(n.Time.Sub(n.RaisedAt))
	case Taken, Going:
		who := strings.NewReplacer("{", "(", "}", ")").Replace(shorten(n.TakenBy, mostWho))
		h.frame, h.bare = r.Phrase("%s has it: {place}: {what}", who), r.Phrase("%s has it: {what}", who)
		if n.Kind == Going {
			h.frame, h.bare = r.Phrase("%s is going: {place}: {what}", who), r.Phrase("%s is going: {what}", who)
		}
	default:
		h.frame, h.bare = "{place}: {what}{left}", "{what}{left}"
		if n.Kind == Reminder {
			h.frame, h.bare = r.Word("Still: {place}: {what}{left}"), r.Word("Still: {what}{left}")
		}
		h.value = n.figure(r)
		h.left, h.brief = n.left(now)
	}
	if more > 0 {
		h.behind, h.behindBrief = r.Phrase(" (+%d more)", more), r.Phrase(" (+%d)", more)
	}
	demo := ""
	if n.Invented {
		demo = r.Word("[demo] ")
		h.frame, h.bare = demo+h.frame, demo+h.bare
	}
	text := h.text(n.Title)
	return OneLine(demo + wording.Capital(strings.TrimPrefix(text, demo)))
}

// testLine says that nothing is wrong, and who asks.
func (n *AlarmNotice) testLine(r wording.Reader) string {
	demo := ""
	if n.Invented {
		demo = r.Word("[demo] ")
	}
	say := func(who string) string { return OneLine(demo + r.Phrase("Test from %s: nothing is wrong", who)) }
	return say(shorten(n.Facility, HeadlineLimit-length(say(""))))
}

// figure is the value in a word: that of the alarm, or what its incident has
// measured of the air.
func (n *AlarmNotice) figure(r wording.Reader) string {
	if n.Unit != "" {
		return r.Short(n.Measure)
	}
	for _, o := range n.Others {
		switch o.Unit {
		case "°C", "%", "kPa":
			if !o.Difference && o.Subject == "" {
				return r.Short(o.measure())
			}
		}
	}
	return ""
}

// left says how long is left, in a few words and in fewer.
func (n *AlarmNotice) left(now time.Time) (words, brief string) {
	r := n.Reader()
	switch due := n.due(); {
	case due.IsZero():
		return "", ""
	case due.Sub(now) < time.Minute:
		return r.Word(", act now"), r.Word(", now")
	default:
		left := r.Left(due.Sub(now))
		return r.Phrase(", act within %s", left), r.Phrase(", %s left", left)
	}
}

// placeWithin is the place in so many characters: the room and what in it the
// alarm is about, the room alone where that is too long, or what is left of the
// room's name.
func (n *AlarmNotice) placeWithin(most int) string {
	whole := n.place()
	if length(whole) <= most || n.room() == "" {
		return shorten(whole, most)
	}
	return shorten(n.room(), most)
}

// shorten leaves out the middle of what is too long: what tells names apart is
// at their beginning or their end. Characters that belong together stay so.
func shorten(s string, most int) string {
	if length(s) <= most {
		return s
	}
	if most <= 1 {
		return "…"[:max(0, most)*len("…")]
	}
	parts := clusters(s)
	var head, tail string
	room := most - 1
	// Two thirds of what is left are for the beginning.
	for i := 0; i < len(parts) && length(head)+length(parts[i]) <= (2*room+2)/3; i++ {
		head += parts[i]
	}
	head = strings.TrimRight(head, " ,.-(")
	for i := len(parts) - 1; i >= 0 && length(head)+length(tail)+length(parts[i]) <= room; i-- {
		tail = parts[i] + tail
	}
	return head + "…" + strings.TrimLeft(tail, " ,.-)")
}

func length(s string) int { return utf8.RuneCountInString(s) }

// clusters are the characters of a text as a person sees them: marks stay with
// what they stand on, and what is joined stays together.
func clusters(s string) []string {
	const joiner = '\u200d'
	var out []string
	joined := false
	for _, c := range s {
		if len(out) > 0 && (joined || c == joiner || unicode.Is(unicode.M, c)) {
			out[len(out)-1] += string(c)
		} else {
			out = append(out, string(c))
		}
		joined = c == joiner
	}
	return out
}
