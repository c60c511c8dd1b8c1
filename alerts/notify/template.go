package notify

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"text/template"
	"time"

	"rearguard/alerts/notify/letter"
)

// callLimit bounds a body, in bytes. No gateway takes more.
const callLimit = 256 << 10

// TemplateSource says how a call is written for a receiver with a form of its
// own. Body and the values of headers are templates of package text/template.
type TemplateSource struct {
	Body, ContentType string
	Headers           []HeaderSource
}

// HeaderSource is one header of a call. Secret, if set, gives what the function
// secret stands for in Value.
type HeaderSource struct {
	Name, Value string
	Secret      func() (string, error)
}

// Template writes calls.
type Template struct {
	body        *template.Template
	contentType string
	headers     []headerTemplate
}

type headerTemplate struct {
	HeaderSource
	value *template.Template
}

// TemplateError is a mistake in a template.
type TemplateError struct {
	// Header is the index of the header it is in, -1 for the body.
	Header int
	// Line and Column count from 1, Column in bytes; 0 for not known.
	Line, Column int
	Problem      string
	// Field is set where Problem is that there is no such field.
	Field string
}

func (e *TemplateError) Error() string {
	where := "body"
	if e.Header >= 0 {
		where = fmt.Sprintf("header %d", e.Header+1)
	}
	if e.Line > 0 {
		where += fmt.Sprintf(", line %d", e.Line)
	}
	return fmt.Sprintf("template of the webhook, %s: %s", where, e.Problem)
}

// NewTemplate reads a template. An error is a TemplateError.
func NewTemplate(s TemplateSource) (*Template, error) {
	t := &Template{contentType: s.ContentType}
	var err error
	if t.body, err = template.New(templateName).Funcs(templateFuncs()).Parse(s.Body); err != nil {
		return nil, templateError(-1, err)
	}
	for i, h := range s.Headers {
		funcs := templateFuncs()
		if h.Secret != nil {
			maps.Copy(funcs, secretIs(""))
		}
		value, err := template.New(templateName).Funcs(funcs).Parse(h.Value)
		if err != nil {
			return nil, templateError(i, err)
		}
		t.headers = append(t.headers, headerTemplate{h, value})
	}
	return t, nil
}

const templateName = "template"

// templateFuncs are the functions beside those of package text/template.
func templateFuncs() template.FuncMap {
	return template.FuncMap{
		"json":  jsonText,
		"url":   func(v any) string { return url.QueryEscape(fmt.Sprint(v)) },
		"short": short,
	}
}

// secretIs is what a header with a secret has besides.
func secretIs(secret string) template.FuncMap {
	return template.FuncMap{"secret": func() string { return secret }}
}

// jsonText is a value as JSON, a text with its quotation marks.
func jsonText(v any) (string, error) {
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	err := encoder.Encode(v)
	return string(bytes.TrimRight(b.Bytes(), "\n")), err
}

// short is a text of at most that many characters, with … for what is cut.
func short(most int, v any) string {
	runes := []rune(fmt.Sprint(v))
	if most < 1 || len(runes) <= most {
		return string(runes)
	}
	return string(runes[:most-1]) + "…"
}

// Contact is how somebody is reached, as far as the configuration says.
type Contact struct{ ID, Name, Email, Phone string }

// templateData is what a template can name. It is a contract with those who
// write templates.
type templateData struct {
	Type      string
	Timestamp time.Time
	webhookData
	Name    string
	contact Contact
}

// Email is the recipient's address.
func (d templateData) Email() (string, error) { return d.contact.need("email", d.contact.Email) }

// Phone is the recipient's number.
func (d templateData) Phone() (string, error) { return d.contact.need("phone", d.contact.Phone) }

// noContactError is a way to a person that the configuration does not know.
type noContactError struct{ who, what string }

func (e noContactError) Error() string {
	return fmt.Sprintf("%s has no %s: add it to this person, or leave the person out of this channel", e.who, e.what)
}

func (c Contact) need(what, value string) (string, error) {
	if value == "" {
		return "", noContactError{c.ID, what}
	}
	return value, nil
}

// TemplateFields are the names that a template can use.
func TemplateFields() []string {
	of := reflect.TypeFor[templateData]()
	var names []string
	for _, f := range reflect.VisibleFields(of) {
		if f.IsExported() && !f.Anonymous {
			names = append(names, f.Name)
		}
	}
	for m := range of.Methods() {
		names = append(names, m.Name)
	}
	slices.Sort(names)
	return names
}

// templateDataOf is what a template is given of a message. Times are those that
// people at the facility read.
func templateDataOf(m *Message, to Contact) templateData {
	zone, err := time.LoadLocation(m.Alarm.Zone)
	if err != nil {
		zone = time.UTC
	}
	body := webhookBodyOf(m)
	d := templateData{Type: body.Type, Timestamp: body.Timestamp.In(zone), webhookData: body.Data, Name: to.Name, contact: to}
	d.RaisedAt = d.RaisedAt.In(zone)
	if !d.Due.IsZero() {
		d.Due = d.Due.In(zone)
	}
	return d
}

// call is a call as it is sent.
type call struct {
	body   []byte
	header http.Header
	// secrets are texts that no log may show.
	secrets []string
}

// write writes the call for a message. An error is a TemplateError, or that of
// a secret.
func (t *Template) write(d *templateData) (call, error) {
	c := call{header: http.Header{"Content-Type": {t.contentType}}}
	var err error
	if c.body, err = execute(t.body, d); err != nil {
		return c, templateError(-1, err)
	}
	for i, h := range t.headers {
		secret := ""
		if h.Secret != nil {
			if secret, err = h.Secret(); err != nil {
				return c, fmt.Errorf("header %s: %w", h.Name, err)
			}
		}
		one, err := h.value.Clone()
		if err != nil {
			return c, templateError(i, err)
		}
		value, err := execute(one.Funcs(secretIs(secret)), d)
		if err != nil {
			return c, templateError(i, errors.New(concealed(err.Error(), []string{secret})))
		}
		c.header.Set(h.Name, letter.OneLine(string(value)))
		if secret != "" {
			c.secrets = append(c.secrets, letter.OneLine(string(value)), secret)
		}
	}
	return c, nil
}

// execute writes one template.
func execute(t *template.Template, d *templateData) ([]byte, error) {
	out := limitedBuffer{}
	err := t.Execute(&out, *d)
	return out.Bytes(), err
}

// limitedBuffer refuses to grow over callLimit.
type limitedBuffer struct{ bytes.Buffer }

func (b *limitedBuffer) Write(p []byte) (int, error) {
	if b.Len()+len(p) > callLimit {
		return 0, fmt.Errorf("the text is longer than %d bytes", callLimit)
	}
	return b.Buffer.Write(p)
}

var (
	// placeInTemplate finds where a mistake is in what package text/template
	// says.
	placeInTemplate = regexp.MustCompile(`^template: ` + templateName + `:(\d+)(?::(\d+))?: (?:executing "[^"]*" at )?([\s\S]*)$`)
	noSuchField     = regexp.MustCompile(`can't evaluate field (\w+) in type (.*)$`)
	notAlways       = regexp.MustCompile(`^<([^>]*)>: nil pointer evaluating `)
)

// templateError says what package text/template says in terms of a file. It does
// not wrap err, whose text names parts of this program.
func templateError(header int, err error) error {
	e := &TemplateError{Header: header, Problem: err.Error()}
	if found := placeInTemplate.FindStringSubmatch(e.Problem); found != nil {
		e.Line, _ = strconv.Atoi(found[1])
		if column, err := strconv.Atoi(found[2]); err == nil {
			e.Column = column + 1
		}
		e.Problem = found[3]
	}
	var unknown noContactError
	if errors.As(err, &unknown) {
		e.Problem = unknown.Error()
	}
	if found := noSuchField.FindStringSubmatch(e.Problem); found != nil {
		e.Problem = "there is no field ." + found[1]
		if found[2] == reflect.TypeFor[templateData]().String() {
			e.Field = found[1]
		}
	}
	if found := notAlways.FindStringSubmatch(e.Problem); found != nil {
		e.Problem = found[1] + " is not there in all news: write {{with .Number}}{{.Value}}{{end}}"
	}
	return e
}
