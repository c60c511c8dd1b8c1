package web

import (
	"hash/maphash"
	"regexp"
	"strings"
)

// piece matches one keyed part of a section: a card or a table row. Templates
// nest neither, and escape angle brackets in attributes.
var piece = regexp.MustCompile(`(?s)<(article|tr) [^>]*?data-key="([^"]*)"[^>]*>.*?</(?:article|tr)>`)

// seed makes sums of what open pages have, which tell whether it is the same as
// before.
var seed = maphash.MakeSeed()

// prepared is a section taken apart: what stands around its keyed parts, and
// these.
type prepared struct {
	id    string
	sum   uint64
	parts []part
}

// part is a keyed part of a section, or with an empty tag what stands between
// two.
type part struct {
	tag, key, text string
	sum            uint64
}

// takeApart takes a section apart.
func takeApart(id, html string) prepared {
	out := prepared{id: id, sum: maphash.String(seed, html)}
	at := 0
	for _, m := range piece.FindAllStringSubmatchIndex(html, -1) {
		text := html[m[0]:m[1]]
		out.parts = append(out.parts, part{text: html[at:m[0]]}, part{html[m[2]:m[3]], html[m[4]:m[5]], text, maphash.String(seed, text)})
		at = m[1]
	}
	out.parts = append(out.parts, part{text: html[at:]})
	return out
}

// thinner remembers what an open page has, so that an update carries only the
// parts that changed: on a phone's network a whole page every second is too
// much.
type thinner struct {
	sections map[string]uint64
	pieces   map[string]map[string]uint64
}

func newThinner() *thinner {
	return &thinner{map[string]uint64{}, map[string]map[string]uint64{}}
}

// section returns what to send of a section; ok is false when the page has it
// as it is. A part that the page has becomes an empty mark with its key.
func (t *thinner) section(p prepared) (out string, ok bool) {
	if old, had := t.sections[p.id]; had && old == p.sum {
		return "", false
	}
	t.sections[p.id] = p.sum
	// Only what is on the page now counts as had: a part that leaves and
	// comes back is sent again.
	had, has := t.pieces[p.id], map[string]uint64{}
	t.pieces[p.id] = has
	var b strings.Builder
	for i := range p.parts {
		one := &p.parts[i]
		_, twice := has[one.key]
		if one.tag != "" {
			has[one.key] = one.sum
		}
		if old, ok := had[one.key]; one.tag != "" && ok && old == one.sum && !twice {
			b.WriteString("<" + one.tag + ` data-key="` + one.key + `" data-same></` + one.tag + ">")
			continue
		}
		b.WriteString(one.text)
	}
	return b.String(), true
}
