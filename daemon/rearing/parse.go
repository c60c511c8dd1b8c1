package rearing

import (
	"errors"
	"regexp"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Entry is a species entry as written, before it is laid over the library.
type Entry struct{ doc speciesDoc }

// ID is the species the entry is about.
func (e Entry) ID() SpeciesID { return e.doc.id }

var idPattern = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

// ParseSpecies reads a YAML list of species entries. Name is the file or
// section that faults are reported under; lineOffset is added to their line
// numbers when data is cut out of a larger file. All faults are returned
// together as Problems.
func ParseSpecies(name string, data []byte, lineOffset int) ([]Entry, error) {
	r := &reader{name: name, offset: lineOffset}
	if !utf8.Valid(data) {
		r.fail(nil, "species", "the text is not valid UTF-8; save the file as UTF-8")
		return nil, r.problems
	}
	r.lines = strings.Split(string(data), "\n")
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		p := Problem{Name: name, Path: "species", Message: err.Error()}
		var syntax yaml.Error
		if errors.As(err, &syntax) {
			p.Message = syntax.GetMessage()
			if t := syntax.GetToken(); t != nil && t.Position != nil {
				p.Line, p.Column = t.Position.Line+lineOffset, t.Position.Column
				if t.Position.Line >= 1 && t.Position.Line <= len(r.lines) {
					p.Excerpt = r.lines[t.Position.Line-1]
				}
			}
		}
		return nil, Problems{p}
	}
	var entries []Entry
	seen := map[SpeciesID]bool{}
	for _, d := range file.Docs {
		if d.Body == nil {
			continue
		}
		if _, empty := d.Body.(*ast.NullNode); empty {
			continue
		}
		r.list(func(n ast.Node, path string) {
			doc, ok := r.species(n, path)
			if !ok {
				return
			}
			if seen[doc.id] {
				r.fail(n, path, "species %q is entered twice; put both into one entry", doc.id)
				return
			}
			seen[doc.id] = true
			entries = append(entries, Entry{doc})
		})(d.Body, "species")
	}
	return entries, r.problems.err()
}

func (r *reader) species(n ast.Node, path string) (speciesDoc, bool) {
	d := speciesDoc{at: r.at(n, path)}
	var id *string
	ok := r.mapping(n, path, map[string]field{
		"id":              r.text(&id),
		"common_name":     r.text(&d.commonName),
		"scientific_name": r.text(&d.scientificName),
		"reared_for":      r.text(&d.rearedFor),
		"host_plant":      r.text(&d.hostPlant),
		"note":            r.text(&d.note),
		"rate_spread":     r.number(&d.rateSpread, 0.005, 0.5, "(ratio)"),
		"totals":          r.list(func(n ast.Node, path string) { d.totals = append(d.totals, r.total(n, path)) }),
		"limits":          r.limits(&d.limits),
		"stages": r.list(func(n ast.Node, path string) {
			if s, ok := r.stage(n, path); ok {
				for _, other := range d.stages {
					if other.id == s.id {
						r.fail(n, path, "stage %q is entered twice; put both into one entry", s.id)
						return
					}
				}
				d.stages = append(d.stages, s)
			}
		}),
	})
	if !ok {
		return d, false
	}
	if id == nil || !idPattern.MatchString(*id) {
		r.fail(n, path+".id", "want an id of lower-case letters, digits and hyphens, for example danaus-plexippus")
		return d, false
	}
	d.id = SpeciesID(*id)
	return d, true
}

func (r *reader) total(n ast.Node, path string) totalDoc {
	t := totalDoc{at: r.at(n, path)}
	var id *string
	r.mapping(n, path, map[string]field{
		"id":                      r.text(&id),
		"durations":               r.list(r.duration(&t.durations)),
		"lower_celsius":           r.number(&t.lower, -10, 30, "°C"),
		"upper_celsius":           r.number(&t.upper, 10, 60, "°C"),
		"requirement_degree_days": r.number(&t.requirement, 1, 20000, "degree-days"),
		"source":                  r.text(&t.source),
		"method":                  r.choice(&t.method, string(Regression), string(IkemotoTakai), string(FromDurations)),
		"assumed":                 r.yesNo(&t.assumed),
		"note":                    r.text(&t.note),
	})
	t.id = text(id)
	return t
}

func (r *reader) stage(n ast.Node, path string) (stageDoc, bool) {
	d := stageDoc{at: r.at(n, path)}
	var id *string
	ok := r.mapping(n, path, map[string]field{
		"id":                      r.text(&id),
		"name":                    r.text(&d.name),
		"model":                   r.text(&d.model),
		"parameters":              r.parameters(&d.parameters),
		"lower_celsius":           r.number(&d.lower, -10, 30, "°C"),
		"upper_celsius":           r.number(&d.upper, 10, 60, "°C"),
		"cutoff":                  r.choice(&d.cutoff, "horizontal", "vertical", "intermediate"),
		"requirement_degree_days": r.number(&d.requirement, 0.1, 20000, "degree-days"),
		"share":                   r.number(&d.share, 0.001, 1, "(ratio)"),
		"share_of":                r.text(&d.shareOf),
		"durations":               r.list(r.duration(&d.durations)),
		"spread":                  r.number(&d.spread, 0, maxSpread, "(ratio)"),
		"survival":                r.number(&d.survival, 0.001, 1, "(ratio)"),
		"distribution":            r.choice(&d.distribution, string(Weibull), string(LogNormal)),
		"limits":                  r.limits(&d.limits),
		"delicate":                r.list(r.window(&d.delicate)),
		"length_millimeters":      r.number(&d.length, 0.1, 300, "mm"),
		"length_sd_millimeters":   r.number(&d.lengthSD, 0.01, 100, "mm"),
		"source":                  r.text(&d.source),
		"method":                  r.choice(&d.method, string(Regression), string(IkemotoTakai), string(FromDurations)),
		"assumed":                 r.yesNo(&d.assumed),
		"note":                    r.text(&d.note),
	})
	if !ok {
		return d, false
	}
	if id == nil || stageRank(StageID(*id)) == 0 {
		r.fail(n, path+".id", "want a stage id: egg, larva-1 to larva-15, prepupa, pupa or adult")
		return d, false
	}
	d.id = StageID(*id)
	return d, true
}

func (r *reader) parameters(dst *map[string]float64) field {
	return func(n ast.Node, path string) {
		var values []*ast.MappingValueNode
		switch m := n.(type) {
		case *ast.MappingNode:
			values = m.Values
		case *ast.MappingValueNode:
			values = []*ast.MappingValueNode{m}
		default:
			r.fail(n, path, "want parameter names with numbers, got %s", describe(n))
			return
		}
		*dst = map[string]float64{}
		for _, v := range values {
			key := v.Key.GetToken().Value
			x, ok := r.float(v.Value)
			if !ok {
				r.fail(v.Value, path+"."+key, "want a number, got %s", describe(v.Value))
				continue
			}
			(*dst)[key] = x
		}
	}
}

func (r *reader) duration(dst *[]StageDuration) field {
	return func(n ast.Node, path string) {
		var t, days *float64
		if !r.mapping(n, path, map[string]field{
			"temperature_celsius": r.number(&t, 0, 45, "°C"),
			"days":                r.number(&days, 0.01, 1000, "days"),
		}) {
			return
		}
		if t == nil || days == nil {
			r.fail(n, path, "want both temperature_celsius and days")
			return
		}
		*dst = append(*dst, StageDuration{*t, *days})
	}
}

func (r *reader) limits(d *limitsDoc) field {
	return func(n ast.Node, path string) {
		var source *string
		var assumed *bool
		r.mapping(n, path, map[string]field{
			"heat_celsius":       r.number(&d.heat.value, 0, 60, "°C"),
			"chill_celsius":      r.number(&d.chill.value, -20, 40, "°C"),
			"drying_kilopascals": r.number(&d.drying.value, 0.05, 10, "kPa"),
			"drying_after":       r.span(&d.drying.after),
			"damp_percent":       r.number(&d.damp.value, 10, 100, "%"),
			"damp_after":         r.span(&d.damp.after),
			"heat_injury":        r.injury(&d.injury),
			"source":             r.text(&source),
			"assumed":            r.yesNo(&assumed),
		})
		for _, b := range []*boundDoc{&d.heat, &d.chill, &d.drying, &d.damp} {
			b.source, b.assumed = sourceOf(source, assumed)
		}
	}
}

// sourceOf is the source of a number and whether it is assumed: without a
// stated source every number is.
func sourceOf(source *string, assumed *bool) (string, bool) {
	if source == nil {
		return CommonPractice, true
	}
	return *source, assumed != nil && *assumed
}

func (r *reader) injury(dst **HeatInjury) field {
	return func(n ast.Node, path string) {
		var ct, z, boundary *float64
		var source *string
		var assumed *bool
		if !r.mapping(n, path, map[string]field{
			"ctmax_one_minute_celsius": r.number(&ct, 20, 70, "°C"),
			"z_celsius":                r.number(&z, 0.5, 20, "°C"),
			"boundary_celsius":         r.number(&boundary, 15, 60, "°C"),
			"source":                   r.text(&source),
			"assumed":                  r.yesNo(&assumed),
		}) {
			return
		}
		if ct == nil || z == nil || boundary == nil {
			r.fail(n, path, "want ctmax_one_minute_celsius, z_celsius and boundary_celsius")
			return
		}
		i := HeatInjury{CTmaxC: *ct, ZC: *z, BoundaryC: *boundary}
		i.Source, i.Assumed = sourceOf(source, assumed)
		*dst = &i
	}
}

func (r *reader) window(dst *[]Window) field {
	return func(n ast.Node, path string) {
		var event, source *string
		var before, after *time.Duration
		var factor, margin *float64
		var assumed *bool
		if !r.mapping(n, path, map[string]field{
			"event":               r.choice(&event, "hatching", "moult", "prepupa", "pupation", "eclosion", "wing hardening"),
			"before":              r.span(&before),
			"after":               r.span(&after),
			"drying_factor":       r.number(&factor, 0.1, 1, "(ratio)"),
			"heat_margin_celsius": r.number(&margin, 0, 10, "°C"),
			"source":              r.text(&source),
			"assumed":             r.yesNo(&assumed),
		}) {
			return
		}
		if event == nil || before == nil || after == nil {
			r.fail(n, path, "want event, before and after")
			return
		}
		w := Window{Event: *event, Before: *before, After: *after, DryingFactor: 1}
		w.Source, w.Assumed = sourceOf(source, assumed)
		if factor != nil {
			w.DryingFactor = *factor
		}
		if margin != nil {
			w.HeatMarginC = *margin
		}
		*dst = append(*dst, w)
	}
}
