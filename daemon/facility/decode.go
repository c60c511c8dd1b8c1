package facility

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// field is one key a mapping may have, from the tags of a struct.
type field struct {
	key   string
	index int
	rule  rule
}

// rule is what a tag demands: need, range=low..high, one=a|b.
type rule struct {
	need      bool
	low, high string
	one       []string
}

func fields(t reflect.Type) []field {
	var out []field
	for i := range t.NumField() {
		key := t.Field(i).Tag.Get("yaml")
		if key == "-" {
			continue
		}
		f := field{key: key, index: i}
		for _, part := range strings.Split(t.Field(i).Tag.Get("rule"), ";") {
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

// decodeStruct fills v from a mapping. Keys in also are known but read by
// somebody else.
func (d *document) decodeStruct(m ast.MapNode, v reflect.Value, path string, also map[string]bool) {
	known := fields(v.Type())
	var names []string
	for _, f := range known {
		names = append(names, f.key)
	}
	for name := range also {
		names = append(names, name)
	}
	seen := map[string]*ast.MappingValueNode{}
	for iter := m.MapRange(); iter.Next(); {
		entry := iter.KeyValue()
		key, ok := d.key(entry, path, seen)
		if !ok || also[key] {
			continue
		}
		i := slices.IndexFunc(known, func(f field) bool { return f.key == key })
		if i < 0 {
			d.unknownKey(entry, key, path, names)
			continue
		}
		here := join(path, key)
		d.places[here] = place{key: position(entry), value: position(entry.Value)}
		d.decode(entry.Value, v.Field(known[i].index), here, known[i].rule)
	}
	for _, f := range known {
		if f.rule.need && seen[f.key] == nil {
			at := nodePosition(m)
			if p, ok := d.places[path]; ok && at == nil {
				at = p.value
			}
			d.fault(at, path, fmt.Sprintf("the key %s is missing", f.key), fmt.Sprintf("add %s: to %s", f.key, orTop(path)))
		}
	}
}

// decodeMap fills a map from a mapping; values are structs.
func (d *document) decodeMap(m ast.MapNode, v reflect.Value, path string) {
	v.Set(reflect.MakeMap(v.Type()))
	seen := map[string]*ast.MappingValueNode{}
	for iter := m.MapRange(); iter.Next(); {
		entry := iter.KeyValue()
		key, ok := d.key(entry, path, seen)
		if !ok {
			continue
		}
		here := join(path, key)
		d.places[here] = place{key: position(entry), value: position(entry.Value)}
		element := reflect.New(v.Type().Elem()).Elem()
		d.decode(entry.Value, element, here, rule{})
		v.SetMapIndex(reflect.ValueOf(key).Convert(v.Type().Key()), element)
	}
}

// key returns the key of an entry that stands for the first time.
func (d *document) key(entry *ast.MappingValueNode, path string, seen map[string]*ast.MappingValueNode) (string, bool) {
	if entry.Key.IsMergeKey() {
		d.fault(position(entry), path, "merge keys (<<) are not used in this file", "write the keys out")
		return "", false
	}
	node, ok := entry.Key.(*ast.StringNode)
	if !ok {
		d.fault(position(entry), path, "a key must be plain text", "write one of the keys that the sample file shows")
		return "", false
	}
	if first := seen[node.Value]; first != nil {
		d.fault(position(entry), path, fmt.Sprintf("the key %s stands twice", node.Value),
			fmt.Sprintf("it is already on line %d: keep one of them", position(first).Line))
		return "", false
	}
	seen[node.Value] = entry
	return node.Value, true
}

func (d *document) unknownKey(entry *ast.MappingValueNode, key, path string, names []string) {
	at := position(entry)
	slices.Sort(names)
	switch meant := nearest(key, names); {
	case (key == "password" || key == "secret") && slices.Contains(names, key+"_file"):
		d.fault(at, path, fmt.Sprintf("a %s is never written into this file", key),
			fmt.Sprintf("put it into a file that only rearguard can read and name that with %s_file, or use %s_env", key, key))
	case meant != "" && sameButUnit(strings.ToLower(key), meant):
		_, unit, _ := cutLast(meant)
		d.fault(at, path, fmt.Sprintf("wrong unit: %s is not a key here", key), fmt.Sprintf("give the value in %s as %s", unit, meant))
	case meant != "":
		d.fault(at, path, fmt.Sprintf("unknown key %s", key), fmt.Sprintf("did you mean %s?", meant))
	default:
		d.fault(at, path, fmt.Sprintf("unknown key %s", key), "known here: "+strings.Join(names, ", "))
	}
}

// decode fills v from any node.
func (d *document) decode(n ast.Node, v reflect.Value, path string, r rule) {
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode, *ast.TagNode:
		d.fault(position(n), path, "anchors, aliases and tags are not used in this file", "write the value out; text that starts with &, * or ! needs quotes")
		return
	case *ast.NullNode:
		d.fault(position(n), path, "the value is missing", "write it after the colon, or remove the key")
		return
	}
	switch {
	case isScalar(v.Type()):
		d.decodeScalar(n, v, path, r)
	case v.Kind() == reflect.Pointer:
		target := reflect.New(v.Type().Elem())
		before := len(d.faults)
		d.decode(n, target.Elem(), path, r)
		// A pointer to a scalar is set only by a good value.
		if len(d.faults) == before || target.Elem().Kind() == reflect.Struct {
			v.Set(target)
		}
	case v.Kind() == reflect.Slice:
		d.decodeSlice(n, v, path, r)
	case v.Kind() == reflect.Struct || v.Kind() == reflect.Map:
		m, ok := n.(ast.MapNode)
		if !ok {
			d.fault(position(n), path, fmt.Sprintf("%s must hold keys with values, not %s", orTop(path), describe(n)), "indent the keys on the lines below it")
			return
		}
		if v.Kind() == reflect.Map {
			d.decodeMap(m, v, path)
		} else {
			d.decodeStruct(m, v, path, nil)
		}
	}
}

func (d *document) decodeSlice(n ast.Node, v reflect.Value, path string, r rule) {
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		d.fault(position(n), path, fmt.Sprintf("%s must be a list, not %s", path, describe(n)), "start every entry on a line of its own with a dash")
		return
	}
	if r.need && len(list.Values) == 0 {
		d.fault(position(n), path, fmt.Sprintf("%s is empty", path), "add at least one entry")
	}
	for i, item := range list.Values {
		here := fmt.Sprintf("%s[%d]", path, i)
		d.places[here] = place{key: position(item), value: position(item)}
		element := reflect.New(v.Type().Elem()).Elem()
		d.decode(item, element, here, rule{one: r.one, low: r.low, high: r.high})
		v.Set(reflect.Append(v, element))
	}
}

func nodePosition(m ast.MapNode) *token.Position {
	if n, ok := m.(ast.Node); ok {
		return position(n)
	}
	return nil
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
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
