package rearing

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// place is where something stands in the input.
type place struct {
	name         string
	path         string
	line, column int
	excerpt      string
}

func (p place) problem(format string, args ...any) Problem {
	return Problem{Name: p.name, Line: p.line, Column: p.column, Path: p.path,
		Message: fmt.Sprintf(format, args...), Excerpt: p.excerpt}
}

// reader walks a YAML tree and gathers every fault with its place. Decoding
// by reflection would stop at the first one and lose the places of the rest.
type reader struct {
	name     string
	lines    []string
	offset   int
	problems Problems
}

// field reads the value of one key.
type field func(n ast.Node, path string)

func (r *reader) at(n ast.Node, path string) place {
	p := place{name: r.name, path: path}
	if n == nil || n.GetToken() == nil || n.GetToken().Position == nil {
		return p
	}
	pos := n.GetToken().Position
	p.line, p.column = pos.Line+r.offset, pos.Column
	if pos.Line >= 1 && pos.Line <= len(r.lines) {
		p.excerpt = r.lines[pos.Line-1]
	}
	return p
}

func (r *reader) fail(n ast.Node, path, format string, args ...any) {
	r.problems = append(r.problems, r.at(n, path).problem(format, args...))
}

// mapping reads the keys of n with the given fields; other keys are faults.
func (r *reader) mapping(n ast.Node, path string, fields map[string]field) bool {
	var values []*ast.MappingValueNode
	switch m := n.(type) {
	case *ast.MappingNode:
		values = m.Values
	case *ast.MappingValueNode:
		values = []*ast.MappingValueNode{m}
	default:
		r.fail(n, path, "want keys with values, got %s", describe(n))
		return false
	}
	for _, v := range values {
		key := v.Key.GetToken().Value
		f, ok := fields[key]
		if !ok {
			r.fail(v.Key, path, "unknown key %q%s", key, suggest(key, fields))
			continue
		}
		f(v.Value, path+"."+key)
	}
	return true
}

// list reads the entries of n.
func (r *reader) list(each field) field {
	return func(n ast.Node, path string) {
		s, ok := n.(*ast.SequenceNode)
		if !ok {
			r.fail(n, path, "want a list, got %s", describe(n))
			return
		}
		for i, v := range s.Values {
			each(v, fmt.Sprintf("%s[%d]", path, i))
		}
	}
}

// number reads a finite number from lo to hi.
func (r *reader) number(dst **float64, lo, hi float64, unit string) field {
	return func(n ast.Node, path string) {
		v, ok := r.float(n)
		switch {
		case !ok:
			r.fail(n, path, "want a number in %s without a unit, got %s", unit, describe(n))
		case v < lo || v > hi:
			r.fail(n, path, "%v is outside %v to %v %s", v, lo, hi, unit)
		default:
			*dst = &v
		}
	}
}

func (r *reader) float(n ast.Node) (float64, bool) {
	var v float64
	switch x := n.(type) {
	case *ast.IntegerNode:
		switch i := x.Value.(type) {
		case int64:
			v = float64(i)
		case uint64:
			v = float64(i)
		default:
			return 0, false
		}
	case *ast.FloatNode:
		v = x.Value
	default:
		return 0, false
	}
	return v, !math.IsNaN(v) && !math.IsInf(v, 0)
}

func (r *reader) text(dst **string) field {
	return func(n ast.Node, path string) {
		switch x := n.(type) {
		case *ast.StringNode:
			v := strings.TrimSpace(x.Value)
			if v == "" {
				r.fail(n, path, "must not be empty")
				return
			}
			*dst = &v
		case *ast.LiteralNode:
			v := strings.Join(strings.Fields(x.Value.Value), " ")
			*dst = &v
		default:
			r.fail(n, path, "want text, got %s", describe(n))
		}
	}
}

func (r *reader) choice(dst **string, choices ...string) field {
	return func(n ast.Node, path string) {
		var v *string
		before := len(r.problems)
		r.text(&v)(n, path)
		if len(r.problems) > before {
			return
		}
		for _, c := range choices {
			if *v == c {
				*dst = v
				return
			}
		}
		r.fail(n, path, "%q is not one of %s", *v, strings.Join(choices, ", "))
	}
}

func (r *reader) yesNo(dst **bool) field {
	return func(n ast.Node, path string) {
		if x, ok := n.(*ast.BoolNode); ok {
			*dst = &x.Value
			return
		}
		r.fail(n, path, "want true or false, got %s", describe(n))
	}
}

// span reads a duration such as 90m or 6h, from 0 to thirty days.
func (r *reader) span(dst **time.Duration) field {
	return func(n ast.Node, path string) {
		x, ok := n.(*ast.StringNode)
		if !ok {
			r.fail(n, path, "want a duration such as 90m or 6h, got %s", describe(n))
			return
		}
		d, err := time.ParseDuration(x.Value)
		if err != nil || d < 0 || d > 30*24*time.Hour {
			r.fail(n, path, "%q is not a duration such as 90m or 6h, of at most 720h", x.Value)
			return
		}
		*dst = &d
	}
}

// describe names a node for a person.
func describe(n ast.Node) string {
	switch x := n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "keys with values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.AliasNode, *ast.AnchorNode:
		return "a YAML alias, which is not supported here"
	default:
		s := x.String()
		if len(s) > 40 {
			s = s[:40] + "…"
		}
		return fmt.Sprintf("%q", s)
	}
}

// suggest offers the known key that is closest to a mistyped one.
func suggest(key string, fields map[string]field) string {
	known := make([]string, 0, len(fields))
	for k := range fields {
		known = append(known, k)
	}
	sort.Strings(known)
	best, distance := "", 4
	for _, k := range known {
		if d := editDistance(key, k); d < distance {
			best, distance = k, d
		}
	}
	if best != "" {
		return fmt.Sprintf("; did you mean %q?", best)
	}
	return "; known keys are " + strings.Join(known, ", ")
}

func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			diagonal, row[j] = row[j], min(row[j]+1, row[j-1]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
