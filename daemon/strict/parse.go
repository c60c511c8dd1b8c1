package strict

import (
	"errors"
	"fmt"
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

// bounded refuses text that the YAML parser should not be shown.
func (r *Reading) bounded(text string) bool {
	if len(text) > sizeLimitBytes {
		r.fault(nil, "", fmt.Sprintf("the file is larger than %d bytes", sizeLimitBytes), "is this the right file?")
		return false
	}
	if !utf8.ValidString(text) {
		for i, line := range r.lines {
			if !utf8.ValidString(line) {
				r.lines[i] = strings.ToValidUTF8(line, "�")
				at := strings.IndexRune(r.lines[i], '�')
				r.fault(after(i, r.lines[i][:at]), "", "this is not UTF-8 text", "save the file in the encoding UTF-8")
			}
		}
		return false
	}
	depth := 0
	for i, line := range r.lines {
		if len(line) > lineLimitBytes {
			r.lines[i] = strings.ToValidUTF8(line[:80], "")
			r.fault(after(i, ""), "", fmt.Sprintf("the line is longer than %d bytes", lineLimitBytes), "break it into several lines")
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
				r.fault(after(i, line[:col]), "", "brackets are nested too deeply", "close the brackets opened before")
				return false
			}
		}
	}
	return true
}

// after returns the position behind the beginning of a line that is counted
// from 0.
func after(line int, beginning string) *token.Position {
	return &token.Position{Line: line + 1, Column: 1 + utf8.RuneCountInString(beginning)}
}

// root parses the text and returns what its one document holds.
func (r *Reading) root(text string) (root ast.Node) {
	defer func() {
		// The parser is somebody else's; a bug in it must not end rearguard.
		if reason := recover(); reason != nil {
			root = nil
			r.fault(nil, "", "this is not YAML", fmt.Sprintf("the parser gave up: %v", reason))
		}
	}()
	file, err := parser.ParseBytes([]byte(text), 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntaxFault(err)
		return nil
	}
	for _, doc := range file.Docs {
		switch {
		case doc.Body == nil:
		case root == nil:
			root = doc.Body
		default:
			r.fault(position(doc.Body), "", "a second YAML document starts here", "remove the line --- and keep one document")
			return nil
		}
	}
	if root == nil {
		r.fault(nil, "", "the file is empty", "start from "+r.kind.Sample)
	}
	return root
}

// startsWithKey reports whether keys stand on lines of their own.
func startsWithKey(n ast.Node) bool {
	mapping, isMapping := n.(*ast.MappingNode)
	_, ok := n.(ast.MapNode)
	return ok && (!isMapping || !mapping.IsFlowStyle)
}

func (r *Reading) syntaxFault(err error) {
	var syntax interface {
		GetToken() *token.Token
		GetMessage() string
	}
	if errors.As(err, &syntax) && syntax.GetToken() != nil {
		r.fault(syntax.GetToken().Position, "", "this is not YAML: "+syntax.GetMessage(), "check indentation, quotes and brackets here and on the line before; text with %, #, : or @ needs quotes")
		return
	}
	r.fault(nil, "", "this is not YAML: "+err.Error(), "check indentation, quotes and brackets")
}
