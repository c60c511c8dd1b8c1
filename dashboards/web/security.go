package web

import (
	"net/http"
)

// maxBody bounds what a form or an API request may send.
const maxBody = 64 << 10

// policy allows only what the pages use themselves.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; " +
	"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// Protect wraps all routes of the server: it refuses requests that another
// site makes in a visitor's name, bounds bodies, and tells browsers to run
// nothing but our own files.
func Protect(next http.Handler) http.Handler {
	limited := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		next.ServeHTTP(w, r)
	})
	return http.NewCrossOriginProtection().Handler(limited)
}
