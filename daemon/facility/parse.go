package facility

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds that no real file comes near; they keep the YAML parser, which
// recurses, within its stack.
const (
	sizeLimitBytes = 1 << 20
	lineLimitBytes = 4096
	nestingLimit   = 64
)

// Load reads and checks the file and the secrets and certificates it names.
// The error is Faults if the file could be read, and wraps the error of the
// operating system otherwise.
func Load(path string) (*Facility, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	d, f := parse(path, data)
	if f != nil {
		d.checkFiles(f)
	}
	if len(d.faults) > 0 {
		return nil, d.faults.sorted()
	}
	return f, nil
}

// Parse checks data as the content of the file name, without looking at any
// other file. The error is Faults.
func Parse(name string, data []byte) (*Facility, error) {
	d, f := parse(name, data)
	if len(d.faults) > 0 {
		return nil, d.faults.sorted()
	}
	return f, nil
}

// document is one file while it is read.
type document struct {
	name   string
	lines  []string
	places map[string]place
	faults Faults
}

// place is where a key and its value stand.
type place struct{ key, value *token.Position }

// parse returns a nil Facility when the text is not even a YAML mapping.
func parse(name string, data []byte) (*document, *Facility) {
	// The parser miscounts lines that end with a carriage return.
	text := strings.ReplaceAll(strings.TrimPrefix(string(data), "\ufeff"), "\r\n", "\n")
	d := &document{name: name, lines: strings.Split(text, "\n"), places: map[string]place{}}
	if !d.bounded(text) {
		return d, nil
	}
	root := d.root(text)
	if root == nil {
		return d, nil
	}
	f := Defaults()
	f.Path = name
	d.decodeStruct(root, reflect.ValueOf(&f).Elem(), "", map[string]bool{"species": true})
	f.SpeciesYAML = d.cutSpecies(root)
	d.validate(&f)
	f.fillDefaults()
	f.joinPaths(filepath.Dir(name))
	return d, &f
}

// bounded refuses text that the YAML parser should not be shown.
func (d *document) bounded(text string) bool {
	if len(text) > sizeLimitBytes {
		d.fault(&token.Position{Line: 1, Column: 1}, "", fmt.Sprintf("the file is larger than %d bytes", sizeLimitBytes), "is this the right file?")
		return false
	}
	if !utf8.ValidString(text) {
		for i, line := range d.lines {
			if !utf8.ValidString(line) {
				d.lines[i] = strings.ToValidUTF8(line, "�")
				at := strings.IndexRune(d.lines[i], '�')
				d.fault(&token.Position{Line: i + 1, Column: 1 + utf8.RuneCountInString(d.lines[i][:at])}, "", "this is not UTF-8 text", "save the file in the encoding UTF-8")
			}
		}
		return false
	}
	depth := 0
	for i, line := range d.lines {
		if len(line) > lineLimitBytes {
			d.fault(&token.Position{Line: i + 1, Column: 1}, "", fmt.Sprintf("the line is longer than %d bytes", lineLimitBytes), "break it into several lines")
			d.lines[i] = strings.ToValidUTF8(line[:80], "")
			return false
		}
		for col, c := range line {
			switch c {
			case '[', '{':
				depth++
			case ']', '}':
				depth--
			}
			if depth > nestingLimit {
				d.fault(&token.Position{Line: i + 1, Column: 1 + utf8.RuneCountInString(line[:col])}, "", "brackets are nested too deeply", "close the brackets opened before")
				return false
			}
		}
	}
	return true
}

// root parses the text and returns its top mapping.
func (d *document) root(text string) (root ast.MapNode) {
	top := &token.Position{Line: 1, Column: 1}
	defer func() {
		// The parser is somebody else's; a bug in it must not end rearguard.
		if r := recover(); r != nil {
			root = nil
			d.fault(top, "", "this is not YAML", fmt.Sprintf("the parser gave up: %v", r))
		}
	}()
	file, err := parser.ParseBytes([]byte(text), 0, parser.AllowDuplicateMapKey())
	if err != nil {
		d.syntaxFault(err)
		return nil
	}
	var docs []ast.Node
	for _, doc := range file.Docs {
		if doc.Body != nil {
			docs = append(docs, doc.Body)
		}
	}
	switch {
	case len(docs) == 0:
		d.fault(top, "", "the file is empty", "start from the sample facility.yaml in deploy/examples")
		return nil
	case len(docs) > 1:
		d.fault(position(docs[1]), "", "a second YAML document starts here", "remove the line --- and keep one document")
		return nil
	}
	root, ok := docs[0].(ast.MapNode)
	if mapping, isMapping := docs[0].(*ast.MappingNode); !ok || isMapping && mapping.IsFlowStyle {
		d.fault(position(docs[0]), "", "the file does not start with a key", "write one key a line, for example facility:")
		return nil
	}
	return root
}

func (d *document) syntaxFault(err error) {
	var syntax interface {
		GetToken() *token.Token
		GetMessage() string
	}
	if errors.As(err, &syntax) && syntax.GetToken() != nil {
		d.fault(syntax.GetToken().Position, "", "this is not YAML: "+syntax.GetMessage(), "check indentation, quotes and brackets here and on the line before; text with %, #, : or @ needs quotes")
		return
	}
	d.fault(&token.Position{Line: 1, Column: 1}, "", "this is not YAML: "+err.Error(), "check indentation, quotes and brackets")
}

// fault adds a fault, moving positions that lie outside the text into it.
func (d *document) fault(at *token.Position, path, problem, advice string) {
	line, column := 1, 1
	if at != nil {
		line = min(max(at.Line, 1), len(d.lines))
		column = max(at.Column, 1)
	}
	excerpt := d.lines[line-1]
	d.faults = append(d.faults, Fault{
		File: d.name, Line: line, Column: min(column, 1+utf8.RuneCountInString(excerpt)), Path: path,
		Problem: problem, Advice: advice, Excerpt: excerpt,
	})
}

// faultAt adds a fault at the value named by path, or at the nearest thing
// above it that the file has.
func (d *document) faultAt(path, problem, advice string) {
	for at := path; ; {
		if p, ok := d.places[at]; ok {
			d.fault(p.value, path, problem, advice)
			return
		}
		i := strings.LastIndexAny(at, ".[")
		if i < 0 {
			d.fault(nil, path, problem, advice)
			return
		}
		at = at[:i]
	}
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

// cutSpecies returns the text of the species section with blanks around it.
func (d *document) cutSpecies(root ast.MapNode) []byte {
	var from, to *token.Position
	for iter := root.MapRange(); iter.Next(); {
		at := iter.Key().GetToken()
		if from != nil {
			to = at.Position
			break
		}
		if at.Value == "species" && iter.Value() != nil && iter.Value().Type() != ast.NullType {
			from = at.Position
		}
	}
	if from == nil {
		return nil
	}
	last := len(d.lines)
	if to != nil {
		last = to.Line - 1
	}
	var out bytes.Buffer
	for i, line := range d.lines[:max(last, from.Line)] {
		if i == from.Line-1 {
			key, value, _ := strings.Cut(line, ":")
			out.WriteString(strings.Repeat(" ", utf8.RuneCountInString(key)+1) + value)
		} else if i >= from.Line {
			out.WriteString(line)
		}
		out.WriteByte('\n')
	}
	return out.Bytes()
}
