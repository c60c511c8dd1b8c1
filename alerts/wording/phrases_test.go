package wording_test

import (
	"fmt"
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

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/wording"
)

// phrase is a key of the catalogues as the code uses it.
type phrase struct {
	key, where string
	// args is how many arguments it has, -1 for a word.
	args int
}

// says are the functions and methods that say a phrase, with the number of
// arguments in front of it, and what And puts before it.
var says = map[string]struct {
	prefix string
	word   bool
}{"Say": {}, "And": {prefix: "%s"}, "Phrase": {}, "line": {}, "Word": {word: true}}

// phrases are all phrases of the code that is built into the program.
func phrases(t *testing.T) []phrase {
	t.Helper()
	var list []phrase
	for _, root := range []string{"../../alerts", "../../daemon", "../../dashboards", "../../cmd"} {
		folders := map[string][]*ast.File{}
		files := token.NewFileSet()
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil || d.IsDir() && d.Name() != "testdata":
				return err
			case d.IsDir():
				return filepath.SkipDir
			case !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go"):
				return nil
			}
			tree, err := parser.ParseFile(files, path, nil, parser.SkipObjectResolution)
			folders[filepath.Dir(path)] = append(folders[filepath.Dir(path)], tree)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, trees := range folders {
			list = append(list, phrasesOf(t, files, trees)...)
		}
	}
	for _, d := range conditions.Definitions() {
		for _, text := range []string{d.Title, d.Cause, d.Consequence, d.FirstAction} {
			list = append(list, phrase{text, "the definition of " + string(d.Condition), -1})
		}
		list = append(list, phrase{d.Unit, "the unit of " + string(d.Condition), -1})
	}
	for p := alerts.Low; p <= alerts.Critical; p++ {
		list = append(list, phrase{p.String(), "the priorities", -1})
	}
	for _, unit := range []string{"°C", "°F", "°C/h", "°F/h", "%", "%/h", "kPa", "h", "min", "s", "days", "day", "rooms", "room", "of 100", "% lethal dose"} {
		list = append(list, phrase{unit, "the units", -1})
	}
	return list
}

func phrasesOf(t *testing.T, files *token.FileSet, trees []*ast.File) []phrase {
	// What a constant of the package says.
	constants := map[string]string{}
	for _, f := range trees {
		ast.Inspect(f, func(n ast.Node) bool {
			if spec, ok := n.(*ast.ValueSpec); ok {
				for i, name := range spec.Names {
					if i < len(spec.Values) {
						if text, ok := literal(spec.Values[i], nil); ok {
							constants[name.Name] = text
						}
					}
				}
			}
			return true
		})
	}
	var list []phrase
	for _, f := range trees {
		if !slices.ContainsFunc(f.Imports, func(i *ast.ImportSpec) bool {
			return strings.HasPrefix(i.Path.Value, `"rearguard/alerts`) && (strings.HasSuffix(i.Path.Value, `/wording"`) || strings.HasSuffix(i.Path.Value, `/letter"`))
		}) && f.Name.Name != "wording" && f.Name.Name != "letter" {
			continue
		}
		ast.Inspect(f, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) == 0 {
				return true
			}
			fn, ok := call.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			rule, ok := says[fn.Sel.Name]
			if !ok {
				return true
			}
			where := files.Position(call.Pos()).String()
			text, known := literal(call.Args[0], constants)
			if !known {
				if rule.prefix != "" || fn.Sel.Name == "Say" && isPackage(fn.X, "wording") {
					if f.Name.Name != "wording" {
						t.Errorf("%s: write the phrase where it is said, so that its translation can be checked", where)
					}
				}
				return true
			}
			one := phrase{rule.prefix + text, where, len(call.Args) - 1 + strings.Count(rule.prefix, "%s")}
			if rule.word || one.args == 0 {
				one.args = -1
			}
			list = append(list, one)
			return true
		})
	}
	return list
}

func isPackage(x ast.Expr, name string) bool {
	id, ok := x.(*ast.Ident)
	return ok && id.Name == name
}

// literal is the text of an expression that is one, or a constant.
func literal(x ast.Expr, constants map[string]string) (string, bool) {
	switch x := x.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(x.Value)
		return text, err == nil && x.Kind == token.STRING
	case *ast.Ident:
		text, ok := constants[x.Name]
		return text, ok
	case *ast.BinaryExpr:
		a, okA := literal(x.X, constants)
		b, okB := literal(x.Y, constants)
		return a + b, okA && okB && x.Op == token.ADD
	}
	return "", false
}

// letters finds words; a phrase without one is the same in all languages.
var (
	verbs   = regexp.MustCompile(`%(?:\[(\d+)\])?[sd]`)
	letters = regexp.MustCompile(`\pL{2,}`)
)

// What every language says alike.
var international = []string{"min", "kPa", "°C", "°F", "°C/h", "°F/h"}

// Every phrase of the code is in the catalogue, with the same arguments.
func TestGermanIsComplete(t *testing.T) {
	list := phrases(t)
	if len(list) < 200 {
		t.Fatalf("only %d phrases were found; is this the module?", len(list))
	}
	used := map[string]bool{}
	for _, p := range list {
		used[p.key] = true
		if p.args >= 0 {
			if got := len(verbs.FindAllString(p.key, -1)); got != p.args {
				t.Errorf("%s: %q has %d places for %d arguments", p.where, p.key, got, p.args)
			}
		}
		words, ok := wording.Phrases(wording.German)[p.key]
		switch {
		case !ok && letters.MatchString(verbs.ReplaceAllString(p.key, "")) && !slices.Contains(international, p.key):
			t.Errorf("%s: no German for\n\t%q: \"\",", p.where, p.key)
		case ok && p.args >= 0 && indexes(words) != indexes(p.key):
			t.Errorf("%s: %q has other arguments in German: %q", p.where, p.key, words)
		}
	}
	for key := range wording.Phrases(wording.German) {
		if !used[key] && !slices.Contains(data, key) && !strings.HasPrefix(key, "instar ") {
			t.Errorf("nobody says %q any more: take it out of the catalogue", key)
		}
	}
}

// data are phrases that are said by a name: remarks, and the stages and events of
// the library of species.
var data = []string{
	"back to normal", "This message is not in the records yet, since they cannot be written.",
	"egg", "prepupa", "pupa", "adult", "laying", "hatching", "moult", "pupation", "eclosion", "wing hardening",
}

// indexes are the places of a format for its arguments, in order.
func indexes(format string) string {
	var list []int
	for i, found := range verbs.FindAllStringSubmatch(format, -1) {
		n := i + 1
		if found[1] != "" {
			n, _ = strconv.Atoi(found[1])
		}
		list = append(list, n)
	}
	slices.Sort(list)
	return fmt.Sprint(slices.Compact(list))
}
