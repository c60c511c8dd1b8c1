package wording

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// form is how another part says something in English, and how that is said in
// another language.
type form struct {
	pattern *regexp.Regexp
	words   string
	// fixed is how many bytes of the form are no argument: what says more comes
	// first.
	fixed int
}

// forms are compiled once: they are many, and few readers need them.
var forms = sync.OnceValue(func() map[*catalogue][]form {
	out := make(map[*catalogue][]form)
	for _, c := range []*catalogue{&english, &german} {
		for english, words := range c.reports {
			parts := strings.Split(english, "%s")
			for i := range parts {
				parts[i] = regexp.QuoteMeta(parts[i])
			}
			out[c] = append(out[c], form{regexp.MustCompile(`^(?s:` + strings.Join(parts, "(.+?)") + `)$`), words, len(strings.Join(parts, ""))})
		}
		slices.SortFunc(out[c], func(a, b form) int {
			return cmp.Or(cmp.Compare(b.fixed, a.fixed), strings.Compare(a.words, b.words))
		})
	}
	return out
})

// report is what another part has said, as it is where no form fits. What
// stands for an argument may be of a form itself.
func (c *catalogue) report(words string) string {
	if phrase, ok := c.phrases[words]; ok {
		return phrase
	}
	for _, f := range forms()[c] {
		found := f.pattern.FindStringSubmatch(words)
		if found == nil {
			continue
		}
		args := make([]any, len(found)-1)
		for i, arg := range found[1:] {
			args[i] = c.report(arg)
		}
		return fmt.Sprintf(f.words, args...)
	}
	return words
}
