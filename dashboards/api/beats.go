package api

import (
	"errors"
	"io"
	"net/http"

	"rearguard/alerts/peers"
)

// mostBeat bounds the body of a beat, which says nothing.
const mostBeat = 1 << 10

// Beats takes the beats of other sites, which are no commands of people: they
// are signed, and change nothing but when the site was last heard of.
func Beats(take func(site string, header http.Header, body []byte) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, mostBeat))
		if err != nil {
			problem(w, http.StatusRequestEntityTooLarge, "", "a beat is shorter than that")
			return
		}
		switch err := take(r.PathValue("site"), r.Header, body); {
		case err == nil:
			w.WriteHeader(http.StatusNoContent)
		case errors.Is(err, peers.ErrUnknown):
			problem(w, http.StatusNotFound, "", "no such site is named under peers in facility.yaml")
		case errors.Is(err, peers.ErrRefused):
			problem(w, http.StatusForbidden, "", err.Error())
		default:
			// What it is may name a file.
			problem(w, http.StatusServiceUnavailable, "", "the secret of this site cannot be read here")
		}
	})
}
