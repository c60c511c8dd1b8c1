package payload

import (
	"encoding/json"
	"fmt"
)

// maxDepth bounds the nesting of a JSON document, and with it the scanner's
// recursion.
const maxDepth = 32

type tokenKind uint8

const (
	absent tokenKind = iota
	number
	text // the bytes between the quotation marks, escapes left as they are
	literal
	notFinite
	container
	repeated
)

// token is a value found in a document. Its bytes alias the document.
type token struct {
	kind tokenKind
	raw  []byte
}

// scanner walks a JSON document (RFC 8259) once, checks all of it, and picks
// up the values at the wanted places. It keeps nothing else, so that its
// memory does not grow with the document.
//
// It is stricter than encoding/json in that two members of one name at a
// wanted place make the value ambiguous, and laxer in one point: NaN, Infinity
// and -Infinity, which some sensors' libraries write without quotation marks,
// are walked over, so that one of them does not cost the message's good
// values. They are never values themselves.
type scanner struct {
	doc   []byte
	pos   int
	found []token
}

// syntaxError is where the document stops being JSON.
type syntaxError struct {
	pos  int
	what string
}

func (e *syntaxError) Error() string { return fmt.Sprintf("%s at byte %d", e.what, e.pos) }

func (s *scanner) fail(what string) error { return &syntaxError{s.pos, what} }

// scan fills found with the values at the targets of root.
func (s *scanner) scan(root *place) error {
	if len(s.doc) >= 3 && s.doc[0] == 0xEF && s.doc[1] == 0xBB && s.doc[2] == 0xBF {
		s.pos = 3 // a byte order mark, which RFC 8259 section 8.1 lets a reader ignore
	}
	if err := s.value(root, 0); err != nil {
		return err
	}
	return s.end()
}

func (s *scanner) end() error {
	s.space()
	if s.pos < len(s.doc) {
		return s.fail("text after the end of the JSON value")
	}
	return nil
}

func (s *scanner) space() {
	for s.pos < len(s.doc) && isSpace(s.doc[s.pos]) {
		s.pos++
	}
}

// peek skips white space and returns the next byte, or 0 at the end.
func (s *scanner) peek() byte {
	s.space()
	if s.pos < len(s.doc) {
		return s.doc[s.pos]
	}
	return 0
}

func (s *scanner) value(at *place, depth int) error {
	if depth > maxDepth {
		return s.fail(fmt.Sprintf("nested deeper than %d", maxDepth))
	}
	var t token
	var err error
	switch c := s.peek(); {
	case c == '{':
		s.keep(at, token{container, s.doc[s.pos : s.pos+1]})
		return s.object(at, depth)
	case c == '[':
		s.keep(at, token{container, s.doc[s.pos : s.pos+1]})
		return s.array(at, depth)
	case c == '"':
		t.kind = text
		t.raw, _, err = s.text()
	case c == '-' && s.has("-Infinity"), c == 'N' && s.has("NaN"), c == 'I' && s.has("Infinity"):
		t.kind = notFinite
		t.raw, err = s.word()
	case c == '-' || c >= '0' && c <= '9':
		t.kind = number
		t.raw, err = s.number()
	case c >= 'a' && c <= 'z':
		t.kind = literal
		t.raw, err = s.word()
	case s.pos >= len(s.doc):
		err = s.fail("unexpected end")
	default:
		err = s.fail(fmt.Sprintf("unexpected %q", c))
	}
	if err != nil {
		return err
	}
	s.keep(at, t)
	return nil
}

func (s *scanner) keep(at *place, t token) {
	if at == nil {
		return
	}
	for _, target := range at.targets {
		if s.found[target].kind != absent {
			t.kind = repeated
		}
		s.found[target] = t
	}
}

func (s *scanner) object(at *place, depth int) error {
	return s.items('}', func(int) error {
		return s.member("a member name", depth, func(name []byte) (*place, error) { return at.member(name), nil })
	})
}

func (s *scanner) array(at *place, depth int) error {
	return s.items(']', func(i int) error { return s.value(at.element(i), depth+1) })
}

// items goes from the opening bracket at hand to the closing one; each scans
// one of the items between, which commas separate.
func (s *scanner) items(closing byte, each func(i int) error) error {
	s.pos++
	if s.peek() == closing {
		s.pos++
		return nil
	}
	for i := 0; ; i++ {
		if err := each(i); err != nil {
			return err
		}
		switch s.peek() {
		case ',':
			s.pos++
		case closing:
			s.pos++
			return nil
		default:
			return s.fail(fmt.Sprintf("',' or '%c' is wanted", closing))
		}
	}
}

// member scans a member of an object into the place that its name has.
func (s *scanner) member(what string, depth int, placeOf func(name []byte) (*place, error)) error {
	if s.peek() != '"' {
		return s.fail(what + " in quotation marks is wanted")
	}
	name, escaped, err := s.text()
	if err != nil {
		return err
	}
	if escaped {
		if name, err = unescape(name); err != nil {
			return s.fail("bad escape in " + what)
		}
	}
	if s.peek() != ':' {
		return s.fail("':' is wanted")
	}
	s.pos++
	at, err := placeOf(name)
	if err != nil {
		return err
	}
	return s.value(at, depth+1)
}

// text reads a string and returns what is between its quotation marks.
func (s *scanner) text() (raw []byte, escaped bool, err error) {
	s.pos++
	start := s.pos
	for s.pos < len(s.doc) {
		switch c := s.doc[s.pos]; {
		case c == '"':
			raw = s.doc[start:s.pos]
			s.pos++
			return raw, escaped, nil
		case c == '\\':
			escaped = true
			if err := s.escape(); err != nil {
				return nil, false, err
			}
		case c < 0x20:
			return nil, false, s.fail("control character in a string")
		default:
			s.pos++
		}
	}
	return nil, false, s.fail("string without end")
}

func (s *scanner) escape() error {
	s.pos++
	if s.pos >= len(s.doc) {
		return s.fail("string without end")
	}
	switch s.doc[s.pos] {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		s.pos++
		return nil
	case 'u':
		s.pos++
		for range 4 {
			if s.pos >= len(s.doc) || !isHex(s.doc[s.pos]) {
				return s.fail("four hexadecimal digits are wanted")
			}
			s.pos++
		}
		return nil
	}
	return s.fail("unknown escape in a string")
}

// unescape resolves the escapes of a string. Names with escapes are rare
// enough to leave them to the library.
func unescape(raw []byte) ([]byte, error) {
	var name string
	quoted := append(append([]byte{'"'}, raw...), '"')
	if err := json.Unmarshal(quoted, &name); err != nil {
		return nil, err
	}
	return []byte(name), nil
}

// number reads -?(0|[1-9][0-9]*)(.[0-9]+)?([eE][+-]?[0-9]+)?.
func (s *scanner) number() ([]byte, error) {
	start := s.pos
	if s.doc[s.pos] == '-' {
		s.pos++
	}
	if s.at('0') {
		s.pos++
	} else if s.digits() == 0 {
		return nil, s.fail("a digit is wanted")
	}
	if s.at('.') {
		s.pos++
		if s.digits() == 0 {
			return nil, s.fail("a digit is wanted after the decimal point")
		}
	}
	if s.at('e') || s.at('E') {
		s.pos++
		if s.at('+') || s.at('-') {
			s.pos++
		}
		if s.digits() == 0 {
			return nil, s.fail("a digit is wanted in the exponent")
		}
	}
	return s.doc[start:s.pos], nil
}

func (s *scanner) at(c byte) bool { return s.pos < len(s.doc) && s.doc[s.pos] == c }

func (s *scanner) digits() (n int) {
	for s.pos < len(s.doc) && s.doc[s.pos] >= '0' && s.doc[s.pos] <= '9' {
		s.pos++
		n++
	}
	return n
}

func (s *scanner) has(word string) bool {
	return len(s.doc)-s.pos >= len(word) && string(s.doc[s.pos:s.pos+len(word)]) == word
}

func (s *scanner) word() ([]byte, error) {
	for _, w := range [...]string{"true", "false", "null", "NaN", "Infinity", "-Infinity"} {
		if s.has(w) {
			s.pos += len(w)
			return s.doc[s.pos-len(w) : s.pos], nil
		}
	}
	return nil, s.fail("unknown word")
}

func isHex(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F'
}
