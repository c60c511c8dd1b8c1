package wording_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"rearguard/alerts/wording"
)

var anyVerb = regexp.MustCompile(`%[+#]?[.\d]*[a-zA-Z]`)

// said are the texts of some folders with %s for what stands in them, by the
// file in which they are.
func said(t *testing.T, folders ...string) map[string]string {
	t.Helper()
	found := map[string]string{}
	for _, folder := range folders {
		err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(path, "wording") {
				return err
			}
			tree, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			ast.Inspect(tree, func(n ast.Node) bool {
				if x, ok := n.(ast.Expr); ok {
					if text := formOf(x); strings.Trim(text, "%s") != "" {
						found[text] = path
					}
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return found
}

// formOf is a text, or texts joined, with %s for all that is no text.
func formOf(x ast.Expr) string {
	switch x := x.(type) {
	case *ast.BasicLit:
		if text, err := strconv.Unquote(x.Value); err == nil && x.Kind == token.STRING {
			return anyVerb.ReplaceAllString(text, "%s")
		}
	case *ast.BinaryExpr:
		if x.Op == token.ADD {
			return formOf(x.X) + formOf(x.Y)
		}
	}
	return "%s"
}

// What the catalogue takes for the words of another part are its words.
func TestReportsAreSaidByOtherParts(t *testing.T) {
	forms := said(t, "../../sensors", "../../daemon", "../../alerts", "../../cmd/rearguard/service")
	for key := range wording.Reports(wording.German) {
		ok := false
		for _, form := range []string{key, strings.TrimPrefix(key, "%s: "), strings.TrimPrefix(key, "readings of sensor %s ")} {
			_, there := forms[form]
			ok = ok || there
		}
		// Words of which each is said in a place of its own.
		for _, joined := range [][2]string{
			{"it was moved from %s to %s, and ", "it was moved from %s to %s, and %s"}, {"clock is %s ", "clock is %s %s and its readings cannot be placed: set the clock of the sensor or its gateway"},
			{"readings of all sensors ", "readings of all sensors"}, {"readings of sensor %s ", "readings of sensor %s"}, {"the kept state ", "the kept state %s"},
		} {
			_, there := forms[joined[1]]
			ok = ok || there && strings.HasPrefix(key, joined[0])
		}
		if !ok {
			t.Errorf("no part says %q any more: take it out of the catalogue, or write it as it is said now", key)
		}
	}
}

// Every problem of the link to the broker, and every doubt about the clock, can
// be told in German.
func TestProblemsCanBeTold(t *testing.T) {
	german := wording.Reader{Language: wording.German}
	sentence := regexp.MustCompile(`^[A-Z].* .*\.$`)
	count := 0
	for form, path := range said(t, "../../sensors/broker") {
		file := filepath.Base(path)
		if !slices.Contains([]string{"state.go", "link.go", "session.go", "probe.go"}, file) || !sentence.MatchString(form) || strings.HasPrefix(form, "%s") {
			continue
		}
		count++
		words := strings.ReplaceAll(form, "%s", "x")
		if got := german.Report(words); got == words {
			t.Errorf("%s: no German for the report\n\t%q: \"\",", path, form)
		}
	}
	for form, path := range said(t, "../../daemon/timekeeping") {
		if filepath.Base(path) != "keeper.go" || !strings.HasPrefix(form, "it ") && !strings.HasPrefix(form, "the clock") {
			continue
		}
		count++
		words := strings.ReplaceAll(form, "%s", "x")
		if strings.HasSuffix(form, ", and %s") || form == "the clocks of sensors did not move with it" {
			continue // said together
		}
		if got := german.Report(words); got == words {
			t.Errorf("%s: no German for the report\n\t%q: \"\",", path, form)
		}
	}
	if count < 25 {
		t.Errorf("only %d problems were found; are they said elsewhere?", count)
	}
}
