package web

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestThinnerSendsOnlyWhatChanged(t *testing.T) {
	card := func(key, text string) string {
		return "<article class=\"card\" data-key=\"" + key + "\">\n<p>" + text + "</p></article>"
	}
	row := "<table><tbody><tr data-key=\"s|a\" class=\"x\"><td>1</td></tr></tbody></table>"
	th := newThinner()
	steps := []struct {
		html, want string
		ok         bool
	}{
		{"<h2>2</h2>" + card("a", "1") + card("b", "1") + row, "<h2>2</h2>" + card("a", "1") + card("b", "1") + row, true},
		{"<h2>2</h2>" + card("a", "1") + card("b", "1") + row, "", false},
		{
			"<h2>2</h2>" + card("a", "1") + card("b", "2") + row,
			"<h2>2</h2><article data-key=\"a\" data-same></article>" + card("b", "2") + "<table><tbody><tr data-key=\"s|a\" data-same></tr></tbody></table>", true,
		},
		{"<h2>1</h2>" + card("b", "2"), "<h2>1</h2><article data-key=\"b\" data-same></article>", true},
		// What left the page and comes back unchanged cannot be a mark: the
		// page no longer has it.
		{"<h2>2</h2>" + card("a", "1") + card("b", "2"), "<h2>2</h2>" + card("a", "1") + "<article data-key=\"b\" data-same></article>", true},
	}
	for i, s := range steps {
		got, ok := th.section(takeApart("rooms", s.html))
		if ok != s.ok {
			t.Errorf("step %d: ok %v", i, ok)
		}
		if diff := cmp.Diff(s.want, got); diff != "" {
			t.Errorf("step %d (-want +got):\n%s", i, diff)
		}
	}
	if got, ok := th.section(takeApart("cohorts", card("a", "1"))); !ok || strings.Contains(got, "data-same") {
		t.Errorf("another section shares parts: %q", got)
	}
}
