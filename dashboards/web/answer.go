package web

import (
	"errors"
	"net/http"
	"net/url"

	"rearguard/alerts/notify/invite"
	"rearguard/dashboards/web/answer"
	"rearguard/dashboards/web/forms"
	"rearguard/dashboards/web/page"
)

// answerRoot is below what a proxy must let through without a password.
const answerRoot = "/n/"

// answerRoutes serve what is behind the links in notices, with all that their
// page needs.
func (s *Site) answerRoutes() {
	s.mux.HandleFunc("GET "+answerRoot+"{token}", s.answer(func(w http.ResponseWriter, r *http.Request, v *page.View, m *answer.Model) {
		s.showAnswer(w, r, v, m, http.StatusOK)
	}))
	s.mux.HandleFunc("POST "+answerRoot+"{token}", s.answer(s.takeAnswer))
	s.mux.Handle("GET "+answerRoot+"static/", http.StripPrefix(answerRoot[:len(answerRoot)-1], http.HandlerFunc(s.asset)))
}

// answer opens the link of a request and has it handled. The link alone is what
// lets its holder in, so nothing may pass it on: no address of a page that the
// visitor goes to from here, no search engine, no cache, no log.
func (s *Site) answer(handle func(http.ResponseWriter, *http.Request, *page.View, *answer.Model)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		token := r.PathValue("token")
		r = withoutToken(r)
		h := w.Header()
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Robots-Tag", "noindex, nofollow, noarchive")
		h.Set("Cache-Control", "no-store")
		v, ok := s.viewFor(w, r)
		if !ok {
			return
		}
		m, err := s.answers.Open(token, s.options.Wall())
		switch {
		case errors.Is(err, answer.ErrOften):
			h.Set("Retry-After", "60")
			http.Error(w, page.Sentence(err), http.StatusTooManyRequests)
			return
		case err != nil:
			status := http.StatusNotFound
			if errors.Is(err, invite.ErrExpired) {
				status = http.StatusGone
			}
			s.showAnswer(w, r, v, &m, status)
			return
		}
		if m.About == invite.Test {
			m, err = s.answers.OfTest(r.Context(), m.Invited, token)
		} else {
			m = answer.Of(v, m.Invited, token)
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		handle(w, r, v, &m)
	}
}

// withoutToken is a request that no log tells the link from.
func withoutToken(r *http.Request) *http.Request {
	clean := r.Clone(r.Context())
	clean.URL.Path, clean.URL.RawPath, clean.RequestURI = answerRoot, "", ""
	return clean
}

// takeAnswer carries out what a tap on a button asks for.
func (s *Site) takeAnswer(w http.ResponseWriter, r *http.Request, v *page.View, m *answer.Model) {
	if err := r.ParseForm(); err != nil {
		http.Error(w, "the form could not be read; go back and tap again", http.StatusBadRequest)
		return
	}
	v.Form = r.PostForm
	f := &page.Form{View: v, Fields: forms.Fields{Values: r.PostForm, Zone: v.Loc}}
	o, err := s.answers.Take(f, m)
	if f.Err() != nil {
		err = f.Err()
	}
	late := false
	if err == nil {
		_, late, err = s.doOnce(r.Context(), f.Get("once"), o)
	}
	if err != nil {
		explain(v, err)
		s.showAnswer(w, r, v, m, http.StatusUnprocessableEntity)
		return
	}
	http.Redirect(w, r, withDone(answerRoot+url.PathEscape(m.Token), "answer-"+o.Done, late), http.StatusSeeOther)
}

// answerPage is what the page behind a link is made from.
type answerPage struct {
	*page.View
	*answer.Model
	Title, Done string
}

func (s *Site) showAnswer(w http.ResponseWriter, r *http.Request, v *page.View, m *answer.Model, status int) {
	s.write(w, r, "answer", answerPage{View: v, Model: m, Title: "Answer", Done: doneText(r.URL.Query())}, status)
}
