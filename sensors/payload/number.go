package payload

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// maxNumberBytes is far more than a sensor needs to write a reading. A longer
// run of digits is a fault, even where it is a number.
const maxNumberBytes = 64

// parseNumber reads text as a finite decimal number. The reason is empty when
// it is one.
func parseNumber(text []byte) (v float64, reason string) {
	text = trim(text)
	if len(text) == 0 {
		return 0, "empty text, not a number"
	}
	if len(text) > maxNumberBytes {
		return 0, fmt.Sprintf("%s is too long for a number (%d bytes)", excerpt(text), len(text))
	}
	// ParseFloat also takes inf, nan, hexadecimal and underscores, none of
	// which a sensor means as a reading.
	digits := false
	for _, c := range text {
		switch {
		case c >= '0' && c <= '9':
			digits = true
		case c == '+', c == '-', c == '.', c == 'e', c == 'E':
		case c == ',':
			return 0, excerpt(text) + " is not a number (a decimal point is wanted, not a comma)"
		default:
			return 0, excerpt(text) + " is not a number"
		}
	}
	if !digits {
		return 0, excerpt(text) + " is not a number"
	}
	v, err := strconv.ParseFloat(string(text), 64)
	switch {
	case errors.Is(err, strconv.ErrRange):
		return 0, excerpt(text) + " is too large for a number"
	case err != nil:
		return 0, excerpt(text) + " is not a number"
	case math.IsInf(v, 0) || math.IsNaN(v):
		return 0, excerpt(text) + " is not a finite number"
	}
	return v, ""
}

// trim cuts ASCII white space and the NUL that C programs like to send along.
func trim(b []byte) []byte {
	for len(b) > 0 && isSpace(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && (isSpace(b[len(b)-1]) || b[len(b)-1] == 0) {
		b = b[:len(b)-1]
	}
	return b
}

func isSpace(c byte) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' }
