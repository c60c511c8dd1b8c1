package strict

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

var (
	durationType = reflect.TypeFor[time.Duration]()

	startsWithNumber = regexp.MustCompile(`^[-+]?\d+([.,]\d+)?\s*(\S*)$`)
)

func (r *Reading) isScalar(t reflect.Type) bool {
	if r.kind.Scalars[t] != nil || t == durationType {
		return true
	}
	switch t.Kind() {
	case reflect.String, reflect.Bool, reflect.Int, reflect.Float64:
		return true
	}
	return false
}

// refuse adds a fault at a scalar.
type refuse func(problem, advice string)

func (r *Reading) decodeScalar(n ast.Node, v reflect.Value, path string, must rule) {
	no := func(problem, advice string) { r.fault(position(n), path, problem, advice) }
	own := r.kind.Scalars[v.Type()]
	switch {
	case v.Kind() == reflect.String:
		decodeText(n, v, path, must, own, no)
	case own != nil:
		s, _ := text(n)
		value, problem, advice := own(s)
		if problem != "" {
			no(problem, advice)
			return
		}
		v.Set(reflect.ValueOf(value))
	case v.Type() == durationType:
		decodeDuration(n, v, path, must, no)
	case v.Kind() == reflect.Bool:
		b, ok := n.(*ast.BoolNode)
		if !ok {
			no(fmt.Sprintf("%s must be true or false", path), "write true or false without quotes")
			return
		}
		v.SetBool(b.Value)
	default:
		decodeNumber(n, v, path, must, no)
	}
}

func decodeText(n ast.Node, v reflect.Value, path string, must rule, own Scalar, no refuse) {
	s, ok := text(n)
	if !ok {
		no(fmt.Sprintf("%s must be text, not %s", path, describe(n)), "put the value in quotes")
		return
	}
	if own != nil {
		value, problem, advice := own(s)
		if problem != "" {
			no(problem, advice)
			return
		}
		s = reflect.ValueOf(value).String()
	}
	switch {
	case len(must.one) > 0 && !slices.Contains(must.one, s):
		no(fmt.Sprintf("%q is not possible here", s), Choose(s, must.one))
	case s == "" && must.need:
		no(path+" is empty", "write a value")
	default:
		v.SetString(s)
	}
}

func decodeNumber(n ast.Node, v reflect.Value, path string, must rule, no refuse) {
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
	case *ast.StringNode:
		no(numberInText(n, path))
		return
	default:
		no(fmt.Sprintf("%s must be a number, not %s", path, describe(n)), "write a number")
		return
	}
	written := n.GetToken().Value
	number, err := strconv.ParseFloat(written, 64)
	if err != nil {
		no(fmt.Sprintf("%s is not a number that can be used", written), "write it in decimal digits")
		return
	}
	whole, err := strconv.Atoi(written)
	if v.Kind() == reflect.Int && err != nil {
		no(fmt.Sprintf("%s is not a whole number", written), "write it without a decimal point")
		return
	}
	if must.low != "" {
		low, _ := strconv.ParseFloat(must.low, 64)
		high, _ := strconv.ParseFloat(must.high, 64)
		if number < low || number > high {
			no(must.impossible(written, path))
			return
		}
	}
	if v.Kind() == reflect.Int {
		v.SetInt(int64(whole))
	} else {
		v.SetFloat(number)
	}
}

// numberInText says what is wrong with text where a number belongs.
func numberInText(n ast.Node, path string) (problem, advice string) {
	s, _ := text(n)
	if _, err := strconv.ParseFloat(s, 64); errors.Is(err, strconv.ErrRange) {
		return fmt.Sprintf("%s is not a number that can be used", s), "write it in decimal digits"
	}
	if m := startsWithNumber.FindStringSubmatch(s); m != nil && m[2] != "" {
		_, key, _ := cutLast(path, '.')
		_, unit, _ := cutLast(key, '_')
		advice = "write the number only"
		if isUnit(unit) {
			advice += "; the key says the unit: " + unit
		}
		return fmt.Sprintf("%q is a number with a unit", s), advice
	}
	return fmt.Sprintf("%q is not a number", s), "write a number with a decimal point and without quotes"
}

func (r rule) impossible(written, path string) (problem, advice string) {
	return fmt.Sprintf("%s is impossible for %s", written, path), fmt.Sprintf("it must lie from %s to %s", r.low, r.high)
}

func decodeDuration(n ast.Node, v reflect.Value, path string, must rule, no refuse) {
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		written := n.GetToken().Value
		no(fmt.Sprintf("the duration %s has no unit", written), fmt.Sprintf("write for example %ss, %sm or %sh", written, written, written))
		return
	}
	s, ok := text(n)
	duration, err := time.ParseDuration(s)
	if !ok || err != nil {
		advice := "write for example 90s, 30m, 4h or 1h30m"
		if days, found := strings.CutSuffix(s, "d"); found {
			if count, err := strconv.Atoi(days); err == nil && count > 0 && count < 4000 {
				advice = fmt.Sprintf("write %dh", 24*count)
			}
		}
		no(fmt.Sprintf("%q is not a duration", s), advice)
		return
	}
	if must.low != "" {
		low, _ := time.ParseDuration(must.low)
		high, _ := time.ParseDuration(must.high)
		if duration < low || duration > high {
			no(must.impossible(s, path))
			return
		}
	}
	v.SetInt(int64(duration))
}

// text returns the value of a text node; of another one it returns what is
// written, and false.
func text(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	}
	if t := n.GetToken(); t != nil {
		return t.Value, false
	}
	return "", false
}
