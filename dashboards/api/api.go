// Package api serves the state of the facility as JSON under /api/v1 and
// takes the same commands as the pages. One table of operations gives the
// routes and the OpenAPI description, so the two cannot drift apart.
package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web"
	"rearguard/dashboards/web/people"
)

// Facility is what the API needs of the engine.
type Facility interface {
	snapshot.Source
	// Do hands a command to the engine and returns once it is stored or
	// refused.
	Do(ctx context.Context, cmd fold.Command) error
}

const root = "/api/v1"

// operation is one thing the API can do.
type operation struct {
	method, path, id, summary string
	// body and result are samples of the types; body is nil for a GET.
	body, result any
	// read answers a GET from a snapshot.
	read func(s *snapshot.Snapshot, r *http.Request) (any, error)
	// take turns a body, of the type of the sample, into a command.
	take func(s *snapshot.Snapshot, r *http.Request, body any) (fold.Command, error)
	// run, in the place of both, does what is no matter of the engine; body is nil
	// for a GET.
	run func(r *http.Request, body any) (any, error)
}

// New returns the handler for everything below /api/v1. People are nil where
// nobody is told anything.
func New(f Facility, version string, told people.People) (http.Handler, error) {
	a := &server{facility: f, version: version, people: told}
	if told == nil {
		a.people = nobody{}
	}
	operations := slices.Concat(a.reads(), writes(), a.aboutPeople())
	description, err := describe(operations, version)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	for _, o := range operations {
		mux.HandleFunc(o.method+" "+root+o.path, a.handle(o))
	}
	mux.HandleFunc("GET "+root+"/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		send(w, http.StatusOK, "application/json", description)
	})
	mux.HandleFunc(root+"/", func(w http.ResponseWriter, r *http.Request) {
		if methods := web.Allowed(mux, r, root+"/"); len(methods) > 0 {
			w.Header().Set("Allow", strings.Join(methods, ", "))
			problem(w, http.StatusMethodNotAllowed, "", "this address takes "+strings.Join(methods, ", "))
			return
		}
		problem(w, http.StatusNotFound, "", "there is nothing at this address; "+root+"/openapi.json lists what there is")
	})
	return mux, nil
}

type server struct {
	facility Facility
	version  string
	people   people.People
}

func (a *server) handle(o operation) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s := a.facility.Snapshot()
		if s == nil {
			w.Header().Set("Retry-After", "2")
			problem(w, http.StatusServiceUnavailable, "", "rearguard is reading its records; try again in a few seconds")
			return
		}
		var body any
		if o.body != nil {
			var ok bool
			if body, ok = decode(w, r, o.body); !ok {
				return
			}
		}
		ctx, cancel := context.WithTimeout(r.Context(), 10*time.Second)
		defer cancel()
		r = r.WithContext(ctx)
		var v any
		var err error
		switch {
		case o.read != nil:
			v, err = o.read(s, r)
		case o.run != nil:
			v, err = o.run(r, body)
		default:
			a.command(w, s, r, &o, body)
			return
		}
		if err != nil {
			refuse(w, err)
			return
		}
		reply(w, http.StatusOK, v)
	}
}

// command gives the engine what a body asks for.
func (a *server) command(w http.ResponseWriter, s *snapshot.Snapshot, r *http.Request, o *operation, body any) {
	cmd, err := o.take(s, r, body)
	if err != nil {
		refuse(w, err)
		return
	}
	err = a.facility.Do(r.Context(), cmd)
	switch {
	case errors.Is(err, daemon.ErrNotRecorded):
		reply(w, http.StatusAccepted, Done{Late: cmd.Kind(), Reason: err.Error()})
	case err != nil:
		refuse(w, err)
	default:
		reply(w, http.StatusOK, Done{Stored: cmd.Kind()})
	}
}

// Done answers a command that was carried out.
type Done struct {
	Stored string `json:"stored,omitempty" doc:"kind of the command that was stored"`
	Late   string `json:"late,omitempty" doc:"kind of a command that was carried out and will be stored once the records can be written"`
	Reason string `json:"reason,omitempty" doc:"why it is not stored yet"`
}

// maxBody bounds a request body.
const maxBody = 64 << 10

// decode reads a body of the type of the sample: JSON, one value, no unknown
// keys. It answers the request itself when it cannot.
func decode(w http.ResponseWriter, r *http.Request, sample any) (any, bool) {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		problem(w, http.StatusUnsupportedMediaType, "", "send the body as application/json")
		return nil, false
	}
	into := fresh(sample)
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			problem(w, http.StatusRequestEntityTooLarge, "", "the body is larger than 64 KiB")
			return nil, false
		}
		problem(w, http.StatusBadRequest, "", "the body cannot be read: "+strings.TrimPrefix(err.Error(), "json: "))
		return nil, false
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		problem(w, http.StatusBadRequest, "", "the body has more after its first JSON value; send one object")
		return nil, false
	}
	return into, true
}

// refuse answers an error with the status of its kind.
func refuse(w http.ResponseWriter, err error) {
	var field *entry.FieldError
	switch {
	case errors.As(err, &field):
		problem(w, http.StatusUnprocessableEntity, field.Field, field.Reason)
	case errors.Is(err, snapshot.ErrUnknown):
		problem(w, http.StatusNotFound, "", err.Error())
	case errors.Is(err, daemon.ErrStopped):
		problem(w, http.StatusServiceUnavailable, "", "rearguard is stopping; the command was not stored")
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		problem(w, http.StatusServiceUnavailable, "", "the engine did not answer in time; look whether the command was stored before you send it again")
	case errors.Is(err, fold.ErrRefused):
		problem(w, http.StatusUnprocessableEntity, "", strings.TrimPrefix(err.Error(), fold.ErrRefused.Error()+": "))
	default:
		problem(w, http.StatusInternalServerError, "", "the command could not be stored: "+err.Error())
	}
}

func problem(w http.ResponseWriter, status int, field, detail string) {
	b, err := json.Marshal(Problem{"about:blank", http.StatusText(status), status, detail, field})
	if err != nil {
		http.Error(w, detail, status)
		return
	}
	send(w, status, "application/problem+json", b)
}

func reply(w http.ResponseWriter, status int, v any) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		problem(w, http.StatusInternalServerError, "", fmt.Sprintf("the answer cannot be written as JSON: %v", err))
		return
	}
	send(w, status, "application/json", b.Bytes())
}

func send(w http.ResponseWriter, status int, kind string, body []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	if _, err := w.Write(body); err != nil {
		return // the asker has gone
	}
}
