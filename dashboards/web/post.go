package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"rearguard/daemon"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/forms"
	"rearguard/dashboards/web/page"
)

// post handles a sent form: command to the engine, name into the cookie, and
// a redirect, so that a reload does not send it twice.
func (s *Site) post(a page.Action) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseForm(); err != nil {
			http.Error(w, "the form could not be read; go back and send it again", http.StatusBadRequest)
			return
		}
		v, ok := s.viewFor(w, r)
		if !ok {
			return
		}
		v.Form = r.PostForm
		f := &page.Form{View: v, Fields: forms.Fields{Values: r.PostForm, Zone: v.Loc}, ID: r.PathValue("id")}
		o, err := a.Take(f)
		if f.Err() != nil {
			err = f.Err()
		}
		if err != nil {
			s.refused(w, r, v, a.Again, err)
			return
		}
		done, late, err := s.doOnce(r.Context(), f.Get("once"), o)
		switch {
		case err != nil:
			s.refused(w, r, v, a.Again, err)
			return
		case !done:
			http.Redirect(w, r, o.Back, http.StatusSeeOther)
			return
		}
		if who := f.Person(); who != "" {
			keepWho(w, who)
		}
		http.Redirect(w, r, withDone(o.Back, o.Done, late), http.StatusSeeOther)
	}
}

// doOnce does what a form with a token asks for, unless it was done before; a
// refused form may be sent again. Late is set where it is still to be recorded.
func (s *Site) doOnce(ctx context.Context, token string, o page.Outcome) (done, late bool, err error) {
	if !s.once.Claim(token) {
		return false, false, nil
	}
	err = s.do(ctx, o)
	if late = errors.Is(err, daemon.ErrNotRecorded); late {
		err = nil
	}
	if err != nil {
		s.once.Release(token)
	}
	return err == nil, late, err
}

// do gives the engine what a form asks of it.
func (s *Site) do(ctx context.Context, o page.Outcome) error {
	if o.Run != nil {
		return o.Run()
	}
	if o.Command == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	err := s.facility.Do(ctx, o.Command)
	if err != nil && !errors.Is(err, daemon.ErrNotRecorded) {
		s.options.Log.Warn("command refused", "kind", o.Command.Kind(), "error", err)
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return errNoAnswer
	}
	return err
}

var errNoAnswer = errors.New("the engine did not answer in time; look whether it was stored before you send it again")

// refused shows the form again with the reason beside it, or a page that says
// it when the form stands on another page.
func (s *Site) refused(w http.ResponseWriter, r *http.Request, v *page.View, again page.Page, err error) {
	if again.Build == nil || errors.Is(err, snapshot.ErrUnknown) {
		s.problem(w, r, v, err)
		return
	}
	explain(v, err)
	s.show(w, r, v, again, http.StatusUnprocessableEntity)
}

// explain has a page say why a form could not be taken, and where.
func explain(v *page.View, err error) {
	v.Problem = page.Sentence(err)
	var field *entry.FieldError
	if errors.As(err, &field) {
		v.Field = field.Field
	}
}

// withDone leads back to a page that says what was done, and whether that is
// still to be recorded.
func withDone(back, done string, late bool) string {
	u, err := url.Parse(back)
	if err != nil {
		return "/"
	}
	if done == "" {
		return back
	}
	q := u.Query()
	q.Set("done", done)
	if late {
		q.Set("late", "yes")
	}
	u.RawQuery = q.Encode()
	return u.String()
}

// doneText is the sentence for a done code; unknown codes say nothing, so
// that a link cannot put words on a page.
func doneText(q url.Values) string {
	text := map[string]string{
		"acknowledged":   "Acknowledged. The others on the roster need not come.",
		"going":          "The others on the roster hear that you are going.",
		"shelved":        "Shelved. It comes back by itself when the time is over.",
		"out-of-service": "Out of service. It stays silent until somebody returns it to service.",
		"returned":       "In service again.",
		"unshelved":      "No longer shelved.",
		"count":          "Count stored.",
		"undone":         "Count taken back.",
		"moved":          "Cohort moved.",
		"ended":          "Cohort closed.",
		"added":          "Cohort entered.",
		"adopted":        "Adopted. Cohorts of this species go by these constants from now on, those being reared too.",
		"refused":        "The starting values stay in force.",
		"claimed":        "Claimed. It is in the configuration file and listened to from now on.",
		"bench":          "On the bench. Its readings count for nothing else until it leaves.",
		"read":           "Point read.",
		"calibrated":     "Calibrated. The correction holds from now on; the certificate is below.",
		"left":           "Back in its room.",
		"reapplied":      "Re-applied. Stored values and thermal time are being corrected.",
		"clock":          "Confirmed. The time goes by this machine's clock within a second.",
		"reloaded":       "Read again and in force. What holds only after a restart is listed under Configuration.",
		"phone":          "Subscribed. Send this phone a test, and tap it.",
		"phone-removed":  "Removed. It gets nothing any more.",
		"phone-test":     "Sent. Tap the message on the phone: then it is noted here that it was seen.",
		"phone-seen":     "Seen. Messages reach this phone.",
		"who":            "Name kept on this device.",
		"people-test":    "Sent. The page shows below when it was handed over, and when it is said to have arrived.",
		"people-drill":   "Started. Each notice asks to be answered; the page shows below who has.",
		"people-arrived": "Noted: it arrived.",
		"answer-going":   "Noted: you are going. The others need not come.",
		"answer-have":    "Noted: you have it. The others need not come.",
		"answer-quiet":   "Quiet now. It comes back by itself when the time is over.",
		"answer-arrived": "Noted: it arrived.",
	}[q.Get("done")]
	if text != "" && q.Get("late") == "yes" {
		text += " It is not recorded yet, since the records cannot be written; it will be as soon as they can."
	}
	return text
}

// takeWho keeps the visitor's name without doing anything else.
func takeWho(f *page.Form) (page.Outcome, error) {
	f.Person()
	return page.Outcome{Done: "who", Back: f.Back()}, nil
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

func keepWho(w http.ResponseWriter, who string) {
	http.SetCookie(w, &http.Cookie{ //nolint:gosec // pages are served without TLS on a site's own network as well
		Name: cookieName, Value: url.QueryEscape(who), Path: "/", MaxAge: 365 * 24 * 3600,
		HttpOnly: true, SameSite: http.SameSiteLaxMode,
	})
}
