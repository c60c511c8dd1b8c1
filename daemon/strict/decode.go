package strict

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

var (
	placeType = reflect.TypeFor[Place]()
	partType  = reflect.TypeFor[*Part]()
)

// field is one key a mapping may have, from the tags of a struct.
type field struct {
	key   string
	index []int
	rule  rule
}

// rule is what a tag demands.
type rule struct {
	need      bool
	low, high string
	one       []string
}

func fields(t reflect.Type) []field {
	var out []field
	for i := range t.NumField() {
		at := t.Field(i)
		f := field{key: at.Tag.Get("yaml"), index: at.Index}
		if f.key == "" {
			if at.Anonymous && at.Type.Kind() == reflect.Struct {
				for _, inner := range fields(at.Type) {
					inner.index = append(slices.Clone(at.Index), inner.index...)
					out = append(out, inner)
				}
			}
			continue
		}
		for _, part := range strings.Split(at.Tag.Get("rule"), ";") {
			switch name, arg, _ := strings.Cut(part, "="); name {
			case "need":
				f.rule.need = true
			case "range":
				f.rule.low, f.rule.high, _ = strings.Cut(arg, "..")
			case "one":
				f.rule.one = strings.Split(arg, "|")
			}
		}
		out = append(out, f)
	}
	return out
}

// Overlay returns lower with everything that the tagged fields of upper state.
func Overlay[T any](lower, upper T) T {
	out, from := reflect.ValueOf(&lower).Elem(), reflect.ValueOf(upper)
	for _, f := range fields(from.Type()) {
		if stated := from.FieldByIndex(f.index); !stated.IsZero() {
			out.FieldByIndex(f.index).Set(stated)
		}
	}
	return lower
}

// decode fills v from any node.
func (r *Reading) decode(n ast.Node, v reflect.Value, path string, must rule) {
	_, isNull := n.(*ast.NullNode)
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode, *ast.TagNode:
		r.fault(position(n), path, "anchors, aliases and tags are not used in this file", "write the value out; text that starts with &, * or ! needs quotes")
		return
	}
	switch {
	case v.Type() == partType:
		if !isNull {
			v.Set(reflect.ValueOf(&Part{r.source, n}))
		}
	case isNull:
		r.fault(position(n), path, "the value is missing", "write it after the colon, or remove the key")
	case r.isScalar(v.Type()):
		r.decodeScalar(n, v, path, must)
	case v.Kind() == reflect.Pointer:
		target := reflect.New(v.Type().Elem())
		before := len(r.faults)
		r.decode(n, target.Elem(), path, must)
		// A pointer to a scalar is set only by a good value.
		if len(r.faults) == before || target.Elem().Kind() == reflect.Struct {
			v.Set(target)
		}
	case v.Kind() == reflect.Slice:
		r.decodeSlice(n, v, path, must)
	case v.Kind() == reflect.Struct || v.Kind() == reflect.Map:
		m, ok := n.(ast.MapNode)
		switch {
		case !ok:
			r.fault(position(n), path, fmt.Sprintf("%s must hold keys with values, not %s", orTop(path), describe(n)), "indent the keys on the lines below it")
		case v.Kind() == reflect.Map:
			r.decodeMap(m, v, path)
		default:
			r.decodeStruct(n, m, v, path)
		}
	}
}

// decodeStruct fills v from m, which is n.
func (r *Reading) decodeStruct(n ast.Node, m ast.MapNode, v reflect.Value, path string) {
	for i := range v.NumField() {
		if v.Type().Field(i).Type == placeType {
			v.Field(i).Set(reflect.ValueOf(r.place(position(n), path)))
		}
	}
	known := fields(v.Type())
	names := make([]string, len(known))
	for i, f := range known {
		names[i] = f.key
	}
	seen := map[string]*ast.MappingValueNode{}
	for iter := m.MapRange(); iter.Next(); {
		key, here, ok := r.key(iter.KeyValue(), path, seen)
		if !ok {
			continue
		}
		i := slices.Index(names, key)
		if i < 0 {
			r.unknownKey(iter.KeyValue(), key, path, names)
			continue
		}
		r.decode(iter.Value(), v.FieldByIndex(known[i].index), here, known[i].rule)
	}
	for _, f := range known {
		if f.rule.need && seen[f.key] == nil {
			r.fault(position(n), path, fmt.Sprintf("the key %s is missing", f.key), fmt.Sprintf("add %s: to %s", f.key, orTop(path)))
		}
	}
}

func (r *Reading) decodeMap(m ast.MapNode, v reflect.Value, path string) {
	v.Set(reflect.MakeMap(v.Type()))
	seen := map[string]*ast.MappingValueNode{}
	for iter := m.MapRange(); iter.Next(); {
		key, here, ok := r.key(iter.KeyValue(), path, seen)
		if !ok {
			continue
		}
		element := reflect.New(v.Type().Elem()).Elem()
		r.decode(iter.Value(), element, here, rule{})
		v.SetMapIndex(reflect.ValueOf(key).Convert(v.Type().Key()), element)
	}
}

// key returns the key of an entry that stands for the first time, and the path
// of its value.
func (r *Reading) key(entry *ast.MappingValueNode, path string, seen map[string]*ast.MappingValueNode) (key, here string, ok bool) {
	node, isText := entry.Key.(*ast.StringNode)
	switch {
	case entry.Key.IsMergeKey():
		r.fault(position(entry), path, "merge keys (<<) are not used in this file", "write the keys out")
	case !isText:
		r.fault(position(entry), path, "a key must be plain text", "write one of the keys that the sample file shows")
	case seen[node.Value] != nil:
		r.fault(position(entry), path, fmt.Sprintf("the key %s stands twice", node.Value),
			fmt.Sprintf("it is already on line %d: keep one of them", position(seen[node.Value]).Line))
	default:
		seen[node.Value] = entry
		here = strings.TrimPrefix(path+"."+node.Value, ".")
		r.places[here] = span{key: position(entry), value: position(entry.Value)}
		return node.Value, here, true
	}
	return "", "", false
}

func (r *Reading) unknownKey(entry *ast.MappingValueNode, key, path string, names []string) {
	at := position(entry)
	names = slices.Sorted(slices.Values(names))
	switch meant := nearest(key, names); {
	case (key == "password" || key == "secret" || key == "token") && slices.Contains(names, key+"_file"):
		r.fault(at, path, fmt.Sprintf("a %s is never written into this file", key),
			fmt.Sprintf("put it into a file that only rearguard can read and name that with %s_file, or use %s_env", key, key))
	case meant != "" && sameButUnit(strings.ToLower(key), meant):
		_, unit, _ := cutLast(meant, '_')
		r.fault(at, path, fmt.Sprintf("wrong unit: %s is not a key here", key), fmt.Sprintf("give the value in %s as %s", unit, meant))
	case meant != "":
		r.fault(at, path, fmt.Sprintf("unknown key %s", key), fmt.Sprintf("did you mean %s?", meant))
	default:
		r.fault(at, path, fmt.Sprintf("unknown key %s", key), "known here: "+strings.Join(names, ", "))
	}
}

func (r *Reading) decodeSlice(n ast.Node, v reflect.Value, path string, must rule) {
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		r.fault(position(n), path, fmt.Sprintf("%s must be a list, not %s", path, describe(n)), "start every entry on a line of its own with a dash")
		return
	}
	if must.need && len(list.Values) == 0 {
		r.fault(position(n), path, fmt.Sprintf("%s is empty", path), "add at least one entry")
	}
	must.need = false
	for i, item := range list.Values {
		here := fmt.Sprintf("%s[%d]", path, i)
		r.places[here] = span{key: position(item), value: position(item)}
		element := reflect.New(v.Type().Elem()).Elem()
		r.decode(item, element, here, must)
		v.Set(reflect.Append(v, element))
	}
}

func orTop(path string) string {
	if path == "" {
		return "the top of the file"
	}
	return path
}

func describe(n ast.Node) string {
	switch n.(type) {
	case ast.MapNode:
		return "keys with values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.IntegerNode, *ast.FloatNode:
		return "a number"
	case *ast.BoolNode:
		return "true or false"
	case *ast.InfinityNode, *ast.NanNode:
		return "infinity or not-a-number"
	}
	return "text"
}
