package web

import (
	"hash/maphash"
	"regexp"
)

// piece matches one keyed part of a section: a card or a table row. Templates
// nest neither, and escape angle brackets in attributes.
var piece = regexp.MustCompile(`(?s)<(article|tr) [^>]*?data-key="([^"]*)"[^>]*>.*?</(?:article|tr)>`)

// thinner remembers what an open page has, so that an update carries only the
// parts that changed: on a phone's network a whole page every second is too
// much.
type thinner struct {
	seed     maphash.Seed
	sections map[string]uint64
	pieces   map[string]map[string]uint64
}

func newThinner() *thinner {
	return &thinner{maphash.MakeSeed(), map[string]uint64{}, map[string]map[string]uint64{}}
}

// section returns what to send of a section; ok is false when the page has it
// as it is. A part that the page has becomes an empty mark with its key.
func (t *thinner) section(id, html string) (out string, ok bool) {
	sum := maphash.String(t.seed, html)
	if old, had := t.sections[id]; had && old == sum {
		return "", false
	}
	t.sections[id] = sum
	// Only what is on the page now counts as had: a part that leaves and
	// comes back is sent again.
	had, has := t.pieces[id], map[string]uint64{}
	t.pieces[id] = has
	return piece.ReplaceAllStringFunc(html, func(part string) string {
		m := piece.FindStringSubmatch(part)
		key, sum := m[2], maphash.String(t.seed, part)
		_, twice := has[key]
		has[key] = sum
		if old, ok := had[key]; ok && old == sum && !twice {
			return "<" + m[1] + ` data-key="` + key + `" data-same></` + m[1] + ">"
		}
		return part
	}), true
}
