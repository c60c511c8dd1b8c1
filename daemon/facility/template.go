package facility

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"rearguard/alerts/notify"
	"rearguard/alerts/notify/keyfile"
	"rearguard/daemon/strict"
)

// Template says how the call of a webhook is written for a receiver with a form
// of its own.
type Template struct {
	// Body is a template of package text/template; BodyFile names a file with
	// one. One of them is set.
	Body        string   `yaml:"body"`
	BodyFile    string   `yaml:"body_file"`
	ContentType string   `yaml:"content_type" rule:"need"`
	Headers     []Header `yaml:"headers"`
}

// Header is one header of a call.
type Header struct {
	Name string `yaml:"name" rule:"need"`
	// Value is a template in which secret is the secret; it is the secret if it
	// is empty.
	Value      string `yaml:"value"`
	SecretFile string `yaml:"secret_file"`
	SecretEnv  string `yaml:"secret_env"`
}

// Secret tells where what a header must not show is.
func (h Header) Secret() Secret { return Secret{File: h.SecretFile, Env: h.SecretEnv} }

func (t *Template) fillDefaults() {
	for i := range t.Headers {
		if h := &t.Headers[i]; h.Value == "" && h.Secret() != (Secret{}) {
			h.Value = "{{secret}}"
		}
	}
}

func (t *Template) paths() []*string {
	paths := []*string{&t.BodyFile}
	for i := range t.Headers {
		paths = append(paths, &t.Headers[i].SecretFile)
	}
	return paths
}

// Source is the template as notify reads it, with the body from its file.
func (t *Template) Source() (notify.TemplateSource, error) {
	s := notify.TemplateSource{Body: t.Body, ContentType: t.ContentType}
	if t.BodyFile != "" {
		text, err := keyfile.Read(t.BodyFile)
		if err != nil {
			return s, fmt.Errorf("read template: %w", err)
		}
		s.Body = strings.ReplaceAll(string(text), "\r\n", "\n")
	}
	for _, h := range t.Headers {
		source := notify.HeaderSource{Name: h.Name, Value: h.Value}
		if h.Secret() != (Secret{}) {
			source.Secret = h.Secret().Read
		}
		s.Headers = append(s.Headers, source)
	}
	return s, nil
}

// Contacts are the people as notify reaches them.
func (f *Facility) Contacts() []notify.Contact {
	list := make([]notify.Contact, len(f.People))
	for i, p := range f.People {
		list[i] = notify.Contact{ID: p.ID, Name: p.Name, Email: p.Email, Phone: p.Phone}
	}
	return list
}

// reachedBy are the people whom the roster has told by a channel.
func (f *Facility) reachedBy(channel string) []notify.Contact {
	return slices.DeleteFunc(f.Contacts(), func(c notify.Contact) bool {
		return !slices.ContainsFunc(f.Roster, func(d Duty) bool {
			return slices.Contains(d.Who, c.ID) && slices.Contains(d.Channels, channel)
		})
	})
}

var (
	// phonePattern is a number of ITU-T E.164, which has up to 15 digits.
	phonePattern = regexp.MustCompile(`^\+[1-9]\d{6,14}$`)
	// headerPattern is the name of a field of RFC 9110 section 5.1.
	headerPattern = regexp.MustCompile("^[A-Za-z0-9!#$%&'*+.^_`|~-]+$")
	// usesSecret finds the function in a template.
	usesSecret = regexp.MustCompile(`\{\{[^}]*\bsecret\b`)
)

// ownHeaders are those that the call has anyway.
func ownHeaders() map[string]string {
	made := "remove it: rearguard sets it"
	return map[string]string{
		"Content-Type": "use content_type", "Host": made, "Content-Length": made, "Transfer-Encoding": made, "Connection": made,
		"Webhook-Id": made, "Webhook-Timestamp": made, "Webhook-Signature": made,
	}
}

// validateTemplate checks what can be told without a notice.
func (d *document) validateTemplate(path string, t *Template, address string) {
	switch {
	case t.Body != "" && t.BodyFile != "":
		d.Fault(path+".body_file", "both body and body_file are given", "keep one of them")
	case t.Body == "" && t.BodyFile == "":
		d.Fault(path, "a template without a body", "add body: with the text, or body_file: with a file that holds it")
	}
	seen := map[string]bool{}
	for i, h := range t.Headers {
		here := fmt.Sprintf("%s.headers[%d]", path, i)
		secret := d.secret(here, "secret", h.SecretFile, h.SecretEnv)
		name := http.CanonicalHeaderKey(h.Name)
		switch advice := ownHeaders()[name]; {
		case h.Name == "":
			// Its absence is a fault already.
		case !headerPattern.MatchString(h.Name):
			d.Fault(here+".name", fmt.Sprintf("%q is not the name of a header", h.Name), "write for example Authorization, without a colon")
		case advice != "":
			d.Fault(here+".name", fmt.Sprintf("%s is no header to set here", name), advice)
		case seen[name]:
			d.Fault(here+".name", fmt.Sprintf("the header %s stands twice", name), "keep one of them")
		}
		seen[name] = true
		u, err := url.Parse(address)
		switch {
		case !secret && h.Value == "":
			d.Fault(here, "a header without a value", "add value:, or secret_file: or secret_env:")
		case secret && h.Value != "" && !usesSecret.MatchString(h.Value):
			d.Fault(here+".value", "the secret is not used", `write {{secret}} where it belongs, for example "Bearer {{secret}}"`)
		case secret && err == nil && u.Scheme == "http" && !loopback(u.Hostname()):
			d.Fault(here, "the secret would cross the network readable by all", "write the url of the channel with https://")
		}
	}
}

// tryTemplates finds what would fail with a notice: of templates in this file,
// or of those in files of their own.
func (d *document) tryTemplates(f *Facility, inFiles bool) {
	for i := range f.Channels {
		c := &f.Channels[i]
		path := fmt.Sprintf("channels[%d].template", i)
		if c.Template == nil || (c.Template.BodyFile != "") != inFiles || d.Faulty(path) {
			continue
		}
		source, err := c.Template.Source()
		if err != nil {
			d.Fault(path+".body_file", "the template cannot be read: "+reason(errors.Unwrap(err)), "create the file and let rearguard's account read it")
			continue
		}
		for j := range source.Headers {
			if h := &source.Headers[j]; h.Secret != nil {
				// The real one has no part in a trial, whose errors are shown.
				h.Secret = func() (string, error) { return "s3cret", nil }
			}
		}
		t, err := notify.NewTemplate(source)
		if err == nil {
			err = t.Try(f.reachedBy(c.ID))
		}
		var mistake *notify.TemplateError
		if errors.As(err, &mistake) {
			d.faultInTemplate(path, mistake, f, source.Body, c.Template.BodyFile)
		}
	}
}

// faultInTemplate adds the fault where it is in the body or in a header.
func (d *document) faultInTemplate(path string, e *notify.TemplateError, f *Facility, body, bodyFile string) {
	advice := "README.md lists the fields and functions of a template"
	if e.Field != "" {
		advice = strict.Choose(e.Field, notify.TemplateFields())
	}
	if e.Header >= 0 {
		d.Fault(fmt.Sprintf("%s.headers[%d].value", path, e.Header), e.Problem, advice)
		return
	}
	lines := strings.Split(body, "\n")
	n := min(max(e.Line, 1), len(lines))
	place := strict.Place{File: bodyFile, Line: n, Path: path + ".body_file", Excerpt: lines[n-1]}
	indent := 0
	if bodyFile == "" {
		place.File, place.Path = f.Path, path+".body"
		at := d.Line(place.Path)
		all := strings.Split(strings.ReplaceAll(f.Text, "\r\n", "\n"), "\n")
		if !startsBlock(all, at) || at+n > len(all) {
			d.Fault(place.Path, inLine(e, len(lines)), advice)
			return
		}
		// A block begins on the line below its sign.
		place.Line, place.Excerpt = at+n, all[at+n-1]
		indent = max(0, len(place.Excerpt)-len(lines[n-1]))
	}
	place.Column = 1
	if at := indent + e.Column - 1; e.Column > 0 && at <= len(place.Excerpt) {
		place.Column = 1 + utf8.RuneCountInString(place.Excerpt[:at])
	}
	d.Add(place.Fault(e.Problem, advice))
}

// inLine says in which of several lines of a text a mistake is.
func inLine(e *notify.TemplateError, lines int) string {
	if lines > 1 && e.Line > 0 {
		return fmt.Sprintf("line %d of the text: %s", e.Line, e.Problem)
	}
	return e.Problem
}

// startsBlock reports whether a text that is kept line by line begins below a
// line, counted from 1.
func startsBlock(lines []string, line int) bool {
	if line < 1 || line > len(lines) {
		return false
	}
	text, _, _ := strings.Cut(lines[line-1], " #")
	return strings.HasSuffix(strings.TrimRight(strings.TrimRight(text, " "), "+-0123456789"), "|")
}
