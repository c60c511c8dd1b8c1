// Package strict reads YAML written by people into tagged structs. An unknown
// key, a wrong unit or an impossible value is a fault, and all faults of a
// text are reported together with line, column, the line itself and what to
// do, so that one round of editing is enough.
//
// The tag yaml names the key of a field; fields without one are left alone,
// except that the fields of an embedded struct count as the struct's own.
// The tag rule says what is demanded of it, separated by semicolons:
//
//	need          the key must be there, and its text or list not empty
//	range=0..60   bounds of a number or a duration, both included
//	one=a|b       the words a text may be
//
// An untagged field of type Place is told where its struct stands, and a
// field of type *Part keeps what stands there for somebody else to read.
package strict

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// Kind is what texts of one kind have of their own.
type Kind struct {
	// Path is what the top is called in the paths of faults, empty if paths
	// start with its keys.
	Path string
	// Sample is what somebody with an empty file can start from.
	Sample string
	// Scalars read the types that are more than the plain values of YAML.
	Scalars map[reflect.Type]Scalar
}

// Scalar returns the value that a text stands for, or says what is wrong with
// it and what to do.
type Scalar func(text string) (value any, problem, advice string)

// Part is a part of a text that is known to be YAML and not yet read.
type Part struct {
	source *source
	node   ast.Node
}

// source is a text with the name of its file.
type source struct {
	name  string
	lines []string
}

// Reading is one text, or a part of one, while it is read and checked.
type Reading struct {
	*source
	kind   Kind
	places map[string]span
	faults Faults
}

// span is where a key and its value start.
type span struct{ key, value *token.Position }

// Read reads data, the content of the file name, into what v points to, and
// reports whether it was YAML of the right shape, so that it makes sense to
// look for more faults.
func (k Kind) Read(name string, data []byte, v any) (*Reading, bool) {
	// The parser miscounts lines that end with a carriage return.
	text := strings.ReplaceAll(strings.TrimPrefix(string(data), "\ufeff"), "\r\n", "\n")
	r := &Reading{source: &source{name, strings.Split(text, "\n")}, kind: k, places: map[string]span{}}
	if !r.bounded(text) {
		return r, false
	}
	root := r.root(text)
	if root == nil {
		return r, false
	}
	target := reflect.ValueOf(v).Elem()
	if target.Kind() == reflect.Struct && !startsWithKey(root) {
		r.fault(position(root), "", "the file does not start with a key", fmt.Sprintf("write one key a line, for example %s:", fields(target.Type())[0].key))
		return r, false
	}
	r.decode(root, target, k.Path, rule{})
	return r, true
}

// ReadPart reads a part of a text into what v points to. Its faults stand
// where they stand in the whole text.
func (k Kind) ReadPart(p *Part, v any) *Reading {
	r := &Reading{source: p.source, kind: k, places: map[string]span{}}
	r.decode(p.node, reflect.ValueOf(v).Elem(), k.Path, rule{})
	return r
}

// Err returns the faults found so far in order of their place, nil if there
// are none.
func (r *Reading) Err() error { return r.faults.Err() }

// Has reports whether the text holds a value with the path, for example
// "rooms[0].limits", be it good or faulty.
func (r *Reading) Has(path string) bool { _, ok := r.places[path]; return ok }

// Line returns the line on which the value with the path starts, 0 without it.
func (r *Reading) Line(path string) int {
	if s, ok := r.places[path]; ok {
		return s.value.Line
	}
	return 0
}

// Faulty reports whether a fault was found in the value with the path or in
// what it holds.
func (r *Reading) Faulty(path string) bool {
	return slices.ContainsFunc(r.faults, func(f Fault) bool { return strings.HasPrefix(f.Path, path) })
}

// Fault adds a fault at the value with the path, or at the nearest thing above
// it that the text has.
func (r *Reading) Fault(path, problem, advice string) {
	for at := path; ; {
		if s, ok := r.places[at]; ok {
			r.fault(s.value, path, problem, advice)
			return
		}
		i := strings.LastIndexAny(at, ".[")
		if i < 0 {
			r.fault(nil, path, problem, advice)
			return
		}
		at = at[:i]
	}
}

// Add adds a fault that was found elsewhere, in a file that the text names or
// within a value.
func (r *Reading) Add(f Fault) { r.faults = append(r.faults, f) }

// FaultyKey adds a fault at the last key of the path, which the text has.
func (r *Reading) FaultyKey(path, problem, advice string) {
	parent, _, _ := cutLast(path, '.')
	r.fault(r.places[path].key, parent, problem, advice)
}

// Distinct returns the ids of the entries of a list, each once, and adds a
// fault for each entry whose id an earlier one has already. An empty id is none.
func (r *Reading) Distinct(list string, ids []string, advice string) []string {
	var distinct []string
	first := map[string]int{}
	for i, id := range ids {
		path := fmt.Sprintf("%s[%d].id", list, i)
		switch line, twice := first[id]; {
		case twice:
			_, name, _ := cutLast(list, '.')
			r.Fault(path, fmt.Sprintf("the id %s stands twice in %s", id, name), fmt.Sprintf("it is already on line %d: %s", line, advice))
		case id != "":
			first[id] = r.Line(path)
			distinct = append(distinct, id)
		}
	}
	return distinct
}

func (r *Reading) fault(at *token.Position, path, problem, advice string) {
	r.faults = append(r.faults, r.place(at, path).Fault(problem, advice))
}

// place moves positions that lie outside the text into it.
func (s *source) place(at *token.Position, path string) Place {
	line, column := 1, 1
	if at != nil {
		line = min(max(at.Line, 1), len(s.lines))
		column = max(at.Column, 1)
	}
	excerpt := s.lines[line-1]
	return Place{File: s.name, Line: line, Column: min(column, 1+utf8.RuneCountInString(excerpt)), Path: path, Excerpt: excerpt}
}

// position returns where a node starts for a reader.
func position(n ast.Node) *token.Position {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return position(n.Values[0])
		}
	case *ast.MappingValueNode:
		return n.Key.GetToken().Position
	}
	if t := n.GetToken(); t != nil {
		return t.Position
	}
	return nil
}
