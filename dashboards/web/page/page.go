// Package page says what a page is and what it is made from. The packages of
// the subjects list their pages and actions; package web serves them.
package page

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/planning"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/forms"
)

// View is what every page and each of its sections is made from.
type View struct {
	S   *snapshot.Snapshot
	Loc *time.Location
	// Who is the name the visitor gave, empty before.
	Who string
	// Path is the page's own address, to come back to after a form.
	Path string
	// Silence is how long the engine has published nothing, zero while it is
	// well.
	Silence time.Duration
	// Urgent counts the alarms that wait for somebody.
	Urgent int
	// Announce is what a screen reader says, once, when trouble or the alarms
	// change.
	Announce string
	// PushKey is the public key that phones subscribe to, empty where none can be
	// told.
	PushKey string
	// Form holds what the visitor entered when it could not be taken.
	Form url.Values
	// Problem says why, Field where.
	Problem, Field string
	// Data is the page's own model.
	Data any
}

// Page is one page: where it is, its sections, and how it is filled.
type Page struct {
	// Path is the pattern of its address, as of http.ServeMux.
	Path     string
	Sections []Section
	Build    Builder
}

// Builder fills a page from a snapshot.
type Builder func(v *View, r *http.Request) (Content, error)

// Content is what a page shows: its title, and the model of its sections.
type Content struct {
	Title string
	Data  any
	// RefreshSeconds is how often the page is to be loaded again where there is
	// no JavaScript, 0 for what suits its sections.
	RefreshSeconds int
}

// Plain fills a page whose sections need nothing but the view.
func Plain(title string) Builder {
	return func(*View, *http.Request) (Content, error) { return Content{Title: title}, nil }
}

// Section is a part of a page, a template by its name. A live section is
// replaced in open pages when it changes; what holds a form is fixed, so that
// nothing typed is lost.
type Section struct {
	ID   string
	Live bool
}

// Live returns a section that is replaced in open pages.
func Live(id string) Section { return Section{id, true} }

// Fixed returns a section that stays as it was loaded.
func Fixed(id string) Section { return Section{id, false} }

// Action is a form that can be sent.
type Action struct {
	// Path is the pattern of its address, as of http.ServeMux.
	Path string
	Take func(f *Form) (Outcome, error)
	// Again is the page that shows the form with what was entered, the zero
	// Page when the form stands on many.
	Again Page
}

// Form is a sent form with the state it refers to.
type Form struct {
	*View
	forms.Fields
	// ID is the wildcard {id} of its address.
	ID string
}

// Back is the address on this site that the form names to come back to.
func (f *Form) Back() string { return LocalPath(f.Text("back"), "/") }

// Outcome is what a form asks of the engine, the code of what to say when it
// is done, and where the visitor goes then.
type Outcome struct {
	// Command is nil when the engine has nothing to do. Run, if set, is done
	// in its place.
	Command    fold.Command
	Run        func() error
	Done, Back string
}

// LocalPath returns path if it is an address on this site, or the fallback.
func LocalPath(path, fallback string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n") {
		return fallback
	}
	return path
}

// To is an address made of parts that need escaping.
func To(root, id string) string { return root + "/" + url.PathEscape(id) }

// Sentence says what is wrong, as a sentence for the visitor.
func Sentence(err error) string {
	text := err.Error()
	var field *entry.FieldError
	if errors.As(err, &field) {
		text = field.Reason
	}
	for _, kind := range []error{fold.ErrRefused, planning.ErrNone} {
		text = strings.TrimPrefix(text, kind.Error()+": ")
	}
	return format.Capital(text) + "."
}
