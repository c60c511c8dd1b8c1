package payload

import (
	"fmt"
	"strconv"
	"strings"
)

// maxPointerTokens bounds the depth of a configured pointer to what the
// scanner would follow anyway.
const maxPointerTokens = maxDepth

// parsePointer splits a JSON pointer (RFC 6901) into its unescaped tokens.
// The empty pointer is the whole document.
func parsePointer(pointer string) ([]string, error) {
	if pointer == "" {
		return nil, nil
	}
	if pointer[0] != '/' {
		return nil, fmt.Errorf("%q is no JSON pointer (RFC 6901): it must start with '/', as in %q", pointer, "/"+pointer)
	}
	tokens := strings.Split(pointer[1:], "/")
	if len(tokens) > maxPointerTokens {
		return nil, fmt.Errorf("a JSON pointer of %d parts is deeper than %d", len(tokens), maxPointerTokens)
	}
	for i, token := range tokens {
		for j := 0; j < len(token); j++ {
			if token[j] == '~' && (j+1 == len(token) || token[j+1] != '0' && token[j+1] != '1') {
				return nil, fmt.Errorf("%q is no JSON pointer (RFC 6901): '~' must be written ~0", pointer)
			}
		}
		if token == "-" {
			return nil, fmt.Errorf("%q points behind the end of an array, where no value can be", pointer)
		}
		// RFC 6901 section 4: first ~1, then ~0, or "~01" would become "/".
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~")
	}
	return tokens, nil
}

// place is a node in the tree of wanted pointers. A nil *place is a part of
// the document that nobody asked for.
type place struct {
	steps []step
	// targets are the indices of the wanted values that are exactly here.
	targets []int
}

type step struct {
	name string
	// index is name as an array index (RFC 6901 section 4), or -1.
	index int
	to    *place
}

// add makes the tree lead from p along tokens to target.
func (p *place) add(tokens []string, target int) {
	for _, token := range tokens {
		next := p.member([]byte(token))
		if next == nil {
			next = new(place)
			p.steps = append(p.steps, step{token, arrayIndex(token), next})
		}
		p = next
	}
	p.targets = append(p.targets, target)
}

func (p *place) member(name []byte) *place {
	if p == nil {
		return nil
	}
	for i := range p.steps {
		if p.steps[i].name == string(name) {
			return p.steps[i].to
		}
	}
	return nil
}

func (p *place) element(index int) *place {
	if p == nil {
		return nil
	}
	for i := range p.steps {
		if p.steps[i].index == index {
			return p.steps[i].to
		}
	}
	return nil
}

func arrayIndex(token string) int {
	if token == "" || len(token) > 9 || token[0] == '0' && len(token) > 1 {
		return -1
	}
	for i := 0; i < len(token); i++ {
		if token[i] < '0' || token[i] > '9' {
			return -1
		}
	}
	n, err := strconv.Atoi(token)
	if err != nil {
		return -1
	}
	return n
}
