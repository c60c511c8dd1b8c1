package web

import (
	"context"
	"crypto/rand"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// form is a sent form with the state it refers to.
type form struct {
	*view
	r *http.Request
}

// outcome is what a form asks of the engine, the person's name, what to say
// when it is done, and where the visitor goes then.
type outcome struct {
	command    daemon.Command
	who        string
	done, back string
}

// taker turns a form into an outcome. On an error of a field, again is the
// page that shows the form with what was entered.
type taker func(f form) (o outcome, again builder, err error)

// post handles a sent form: command to the engine, name into the cookie, and
// a redirect, so that a reload does not send it twice.
func (s *Site) post(take taker) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseForm(); err != nil {
			http.Error(w, "the form could not be read; go back and send it again", http.StatusBadRequest)
			return
		}
		v, ok := s.newView(r)
		if !ok {
			s.starting(w, r)
			return
		}
		v.Form = r.PostForm
		o, again, err := take(form{v, r})
		if err != nil {
			s.refused(w, r, v, again, err)
			return
		}
		token := r.PostForm.Get("once")
		if !s.once.claim(token) {
			http.Redirect(w, r, o.back, http.StatusSeeOther)
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), 10*time.Second)
		defer cancel()
		if err := s.facility.Do(ctx, o.command); err != nil {
			s.once.release(token)
			s.options.Log.Warn("command refused", "kind", o.command.Kind(), "error", err)
			if errors.Is(err, context.DeadlineExceeded) {
				err = errNoAnswer
			}
			s.refused(w, r, v, again, err)
			return
		}
		setWho(w, o.who)
		http.Redirect(w, r, withDone(o.back, o.done), http.StatusSeeOther)
	}
}

var errNoAnswer = errors.New("the engine did not answer in time; look whether it was stored before you send it again")

// refused shows the form again with the reason beside it, or a page that says
// it when the form stands on another page.
func (s *Site) refused(w http.ResponseWriter, r *http.Request, v *view, again builder, err error) {
	var field *entry.FieldError
	if again == nil || errors.Is(err, entry.ErrUnknown) {
		if errors.As(err, &field) {
			err = errors.New(field.Reason)
		}
		s.problem(w, r, v, err)
		return
	}
	v.Problem = sentence(err.Error())
	if errors.As(err, &field) {
		v.Problem, v.Field = sentence(field.Reason), field.Field
	}
	s.show(w, r, v, again, http.StatusUnprocessableEntity)
}

func withDone(back, done string) string {
	u, err := url.Parse(back)
	if err != nil {
		return "/"
	}
	q := u.Query()
	q.Set("done", done)
	u.RawQuery = q.Encode()
	return u.String()
}

// doneText is the sentence for a done code; unknown codes say nothing, so
// that a link cannot put words on a page.
func doneText(code string) string {
	switch code {
	case "acknowledged":
		return "Acknowledged. The others on the roster need not come."
	case "shelved":
		return "Shelved. It comes back by itself when the time is over."
	case "out-of-service":
		return "Out of service. It stays silent until somebody returns it to service."
	case "returned":
		return "In service again."
	case "unsuppressed":
		return "No longer suppressed."
	case "reset":
		return "Reset."
	case "unshelved":
		return "No longer shelved."
	case "count":
		return "Count stored."
	case "undone":
		return "Count taken back."
	case "moved":
		return "Cohort moved."
	case "ended":
		return "Cohort closed."
	case "added":
		return "Cohort entered."
	case "adopted":
		return "Adopted. Cohorts of this species go by these constants from now on, those being reared too."
	case "refused":
		return "The starting values stay in force."
	case "claimed":
		return "Claimed. It is in the configuration file and listened to from now on."
	case "bench":
		return "On the bench. Its readings count for nothing else until it leaves."
	case "read":
		return "Point read."
	case "calibrated":
		return "Calibrated. The correction holds from now on; the certificate is below."
	case "left":
		return "Back in its room."
	case "reapplied":
		return "Re-applied. Stored values and thermal time are being corrected."
	case "who":
		return "Name kept on this device."
	}
	return ""
}

func (f form) get(name string) string { return strings.TrimSpace(f.r.PostForm.Get(name)) }
func (f form) back() string           { return localPath(f.get("back"), "/") }
func (f form) cohort() rearing.CohortID {
	return rearing.CohortID(f.r.PathValue("id"))
}

func (f form) key() alerts.Key {
	return alerts.Key{
		Condition: alerts.Condition(f.get("condition")), Room: sensors.RoomID(f.get("room")), Subject: f.get("subject"),
	}
}

// whole reads a whole number; an empty field is zero.
func (f form) whole(name string) (int, error) {
	s := f.get(name)
	if s == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		return 0, &entry.FieldError{Field: name, Reason: "enter a whole number, digits only"}
	}
	return n, nil
}

// decimal reads a number that may have a fraction, after a point or a comma;
// an empty field is zero.
func (f form) decimal(name string) (float64, error) {
	s := strings.Replace(f.get(name), ",", ".", 1)
	if s == "" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, &entry.FieldError{Field: name, Reason: "enter a number, for example 12.5"}
	}
	return v, nil
}

// localTime is how a browser sends a date with a time of day.
const localTime = "2006-01-02T15:04"

// when reads a local time; an empty field is the zero time, which means now.
func (f form) when(name string) (time.Time, error) {
	s := f.get(name)
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(localTime, s, f.Loc)
	if err != nil {
		return t, &entry.FieldError{Field: name, Reason: "enter a date and time like 2026-05-14T09:10, or leave it empty for now"}
	}
	return t, nil
}

func postAcknowledge(f form) (outcome, builder, error) {
	cmd, err := entry.Acknowledge(f.S, f.key(), f.get("who"))
	return outcome{cmd, cmd.Who, "acknowledged", f.back()}, nil, err
}

func postShelve(f form) (outcome, builder, error) {
	minutes, err := f.whole("minutes")
	if err != nil {
		return outcome{}, nil, err
	}
	cmd, err := entry.Shelve(f.S, f.key(), f.get("who"), time.Duration(minutes)*time.Minute, f.get("reason"))
	return outcome{cmd, cmd.Who, "shelved", f.back()}, nil, err
}

func postUnshelve(f form) (outcome, builder, error) {
	cmd, err := entry.Unshelve(f.S, f.key(), f.get("who"))
	return outcome{cmd, cmd.Who, "unshelved", f.back()}, nil, err
}

func postAddCohort(f form) (outcome, builder, error) {
	n := entry.NewCohort{
		ID: rearing.CohortID(f.get("id")), Species: rearing.SpeciesID(f.get("species")), Room: sensors.RoomID(f.get("room")),
		StartStage: rearing.StageID(f.get("start_stage")), Note: f.get("note"),
	}
	var err error
	if n.Individuals, err = f.whole("individuals"); err != nil {
		return outcome{}, newCohortPage, err
	}
	if n.Start, err = f.when("start"); err != nil {
		return outcome{}, newCohortPage, err
	}
	cmd, err := entry.AddCohort(f.S, n, f.get("who"))
	return outcome{cmd, cmd.Who, "added", "/cohorts/" + url.PathEscape(string(n.ID))}, newCohortPage, err
}

func postCount(f form) (outcome, builder, error) {
	n := rearing.Count{
		Cohort: f.cohort(), Stage: rearing.StageID(f.get("stage")), By: f.get("who"), Cause: f.get("cause"), Note: f.get("note"),
	}
	for name, into := range map[string]*int{"seen": &n.Seen, "of": &n.Of, "lost": &n.Lost} {
		var err error
		if *into, err = f.whole(name); err != nil {
			return outcome{}, cohortPage, err
		}
	}
	n.OrBeyond = f.get("beyond") != ""
	var err error
	if n.LengthMM, err = f.decimal("length"); err != nil {
		return outcome{}, cohortPage, err
	}
	if n.Time, err = f.when("at"); err != nil {
		return outcome{}, cohortPage, err
	}
	cmd, err := entry.RecordCount(f.S, n)
	return outcome{cmd, cmd.Count.By, "count", cohortPath(n.Cohort)}, cohortPage, err
}

func postUndo(f form) (outcome, builder, error) {
	id, err := f.whole("count")
	if err != nil {
		return outcome{}, nil, err
	}
	cmd, err := entry.UndoCount(f.S, f.cohort(), rearing.CountID(id), f.get("who"))
	return outcome{cmd, cmd.Who, "undone", cohortPath(f.cohort())}, cohortPage, err
}

func postMove(f form) (outcome, builder, error) {
	at, err := f.when("at")
	if err != nil {
		return outcome{}, cohortPage, err
	}
	cmd, err := entry.MoveCohort(f.S, f.cohort(), sensors.RoomID(f.get("room")), at, f.get("who"))
	return outcome{cmd, cmd.Who, "moved", cohortPath(f.cohort())}, cohortPage, err
}

func postEnd(f form) (outcome, builder, error) {
	at, err := f.when("at")
	if err != nil {
		return outcome{}, cohortPage, err
	}
	cmd, err := entry.EndCohort(f.S, f.cohort(), at, f.get("who"))
	return outcome{cmd, cmd.Who, "ended", "/"}, cohortPage, err
}

func cohortPath(id rearing.CohortID) string { return "/cohorts/" + url.PathEscape(string(id)) }

// postWho keeps the visitor's name without doing anything else.
func (s *Site) postWho(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		http.Error(w, "the form could not be read; go back and send it again", http.StatusBadRequest)
		return
	}
	v, ok := s.newView(r)
	if !ok {
		s.starting(w, r)
		return
	}
	v.Form = r.PostForm
	who, err := entry.Who(r.PostForm.Get("who"))
	if err != nil {
		s.refused(w, r, v, whoPage, err)
		return
	}
	setWho(w, who)
	http.Redirect(w, r, withDone(localPath(r.PostForm.Get("back"), "/"), "who"), http.StatusSeeOther)
}

const cookieName = "rearguard_name"

// whoCookie returns the name kept on the visitor's device. It is a
// convenience and no proof of identity, so it is checked like any entry.
func whoCookie(r *http.Request) string {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	if name, err = entry.Who(name); err != nil {
		return ""
	}
	return name
}

func setWho(w http.ResponseWriter, who string) {
	http.SetCookie(w, &http.Cookie{ //nolint:gosec // pages are served without TLS on a site's own network as well
		Name: cookieName, Value: url.QueryEscape(who), Path: "/", MaxAge: 365 * 24 * 3600,
		HttpOnly: true, SameSite: http.SameSiteLaxMode,
	})
}

// onceTokens remembers the latest form tokens, so that a double tap or a
// resent form does nothing twice. Forms without a token are let through.
type onceTokens struct {
	mu    sync.Mutex
	used  map[string]bool
	order []string
}

const keptTokens = 4096

func newToken() string { return rand.Text() }

// claim reports whether the token is used for the first time.
func (o *onceTokens) claim(token string) bool {
	if token == "" || len(token) > 64 {
		return true
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.used[token] {
		return false
	}
	if o.used == nil {
		o.used = map[string]bool{}
	}
	if len(o.order) >= keptTokens {
		delete(o.used, o.order[0])
		o.order = o.order[1:]
	}
	o.used[token] = true
	o.order = append(o.order, token)
	return true
}

// release lets a token be used again after its command failed.
func (o *onceTokens) release(token string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.used, token)
}
