package facility

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

	"rearguard/alerts"
	"rearguard/sensors"
)

var (
	durationType = reflect.TypeFor[time.Duration]()
	locationType = reflect.TypeFor[*time.Location]()
	quantityType = reflect.TypeFor[sensors.Quantity]()
	priorityType = reflect.TypeFor[alerts.Priority]()

	startsWithNumber = regexp.MustCompile(`^[-+]?\d+([.,]\d+)?\s*(\S*)$`)
)

func isScalar(t reflect.Type) bool {
	switch t {
	case durationType, locationType, quantityType, priorityType:
		return true
	}
	switch t.Kind() {
	case reflect.String, reflect.Bool, reflect.Int, reflect.Float64:
		return true
	}
	return false
}

func (d *document) decodeScalar(n ast.Node, v reflect.Value, path string, r rule) {
	refuse := func(problem, advice string) { d.fault(position(n), path, problem, advice) }
	switch v.Type() {
	case durationType:
		d.decodeDuration(n, v, path, r)
		return
	case locationType:
		name, ok := text(n)
		zone, err := time.LoadLocation(name)
		if !ok || err != nil || name == "" || name == "Local" {
			refuse(fmt.Sprintf("%q is not a time zone", name), "use a name of the IANA database, for example Europe/Madrid or UTC")
			return
		}
		v.Set(reflect.ValueOf(zone))
		return
	case quantityType:
		name, _ := text(n)
		q, err := sensors.ParseQuantity(name)
		if err != nil {
			refuse(fmt.Sprintf("unknown quantity %q", name), choose(name, []string{"temperature", "humidity", "battery", "signal"}))
			return
		}
		v.Set(reflect.ValueOf(q))
		return
	case priorityType:
		name, _ := text(n)
		all := []alerts.Priority{alerts.Low, alerts.Medium, alerts.High, alerts.Critical}
		for _, p := range all {
			if p.String() == name {
				v.Set(reflect.ValueOf(p))
				return
			}
		}
		refuse(fmt.Sprintf("unknown priority %q", name), choose(name, []string{"low", "medium", "high", "critical"}))
		return
	}
	switch v.Kind() {
	case reflect.String:
		s, ok := text(n)
		switch {
		case !ok:
			refuse(fmt.Sprintf("%s must be text, not %s", path, describe(n)), "put the value in quotes")
		case len(r.one) > 0 && !slices.Contains(r.one, s):
			refuse(fmt.Sprintf("%q is not possible here", s), choose(s, r.one))
		case s == "" && r.need:
			refuse(path+" is empty", "write a value")
		default:
			v.SetString(s)
		}
	case reflect.Bool:
		b, ok := n.(*ast.BoolNode)
		if !ok {
			refuse(fmt.Sprintf("%s must be true or false", path), "write true or false without quotes")
			return
		}
		v.SetBool(b.Value)
	default:
		d.decodeNumber(n, v, path, r)
	}
}

func (d *document) decodeNumber(n ast.Node, v reflect.Value, path string, r rule) {
	refuse := func(problem, advice string) { d.fault(position(n), path, problem, advice) }
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
	case *ast.StringNode:
		s, _ := text(n)
		if _, err := strconv.ParseFloat(s, 64); errors.Is(err, strconv.ErrRange) {
			refuse(fmt.Sprintf("%s is not a number that can be used", s), "write it in decimal digits")
			return
		}
		if m := startsWithNumber.FindStringSubmatch(s); m != nil && m[2] != "" {
			_, unit, _ := cutLast(path)
			refuse(fmt.Sprintf("%q is a number with a unit", s), fmt.Sprintf("write the number only; the key says the unit: %s", unit))
			return
		}
		refuse(fmt.Sprintf("%q is not a number", s), "write a number with a decimal point and without quotes")
		return
	default:
		refuse(fmt.Sprintf("%s must be a number, not %s", path, describe(n)), "write a number")
		return
	}
	written := n.GetToken().Value
	number, err := strconv.ParseFloat(written, 64)
	if err != nil {
		refuse(fmt.Sprintf("%s is not a number that can be used", written), "write it in decimal digits")
		return
	}
	whole, err := strconv.Atoi(written)
	if v.Kind() == reflect.Int && err != nil {
		refuse(fmt.Sprintf("%s is not a whole number", written), "write it without a decimal point")
		return
	}
	if r.low != "" {
		low, _ := strconv.ParseFloat(r.low, 64)
		high, _ := strconv.ParseFloat(r.high, 64)
		if number < low || number > high {
			refuse(fmt.Sprintf("%s is impossible for %s", written, path), fmt.Sprintf("it must lie from %s to %s", r.low, r.high))
			return
		}
	}
	if v.Kind() == reflect.Int {
		v.SetInt(int64(whole))
	} else {
		v.SetFloat(number)
	}
}

func (d *document) decodeDuration(n ast.Node, v reflect.Value, path string, r rule) {
	refuse := func(problem, advice string) { d.fault(position(n), path, problem, advice) }
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		written := n.GetToken().Value
		refuse(fmt.Sprintf("the duration %s has no unit", written), fmt.Sprintf("write for example %ss, %sm or %sh", written, written, written))
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
		refuse(fmt.Sprintf("%q is not a duration", s), advice)
		return
	}
	if r.low != "" {
		low, _ := time.ParseDuration(r.low)
		high, _ := time.ParseDuration(r.high)
		if duration < low || duration > high {
			refuse(fmt.Sprintf("%s is impossible for %s", s, path), fmt.Sprintf("it must lie from %s to %s", r.low, r.high))
			return
		}
	}
	v.SetInt(int64(duration))
}

// text returns the value of a text node.
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

func choose(word string, known []string) string {
	if meant := nearest(word, known); meant != "" {
		return fmt.Sprintf("did you mean %s?", meant)
	}
	return "write one of: " + strings.Join(known, ", ")
}
