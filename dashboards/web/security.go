package web

import (
	"fmt"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
)

// maxBody bounds what a form or an API request may send.
const maxBody = 64 << 10

// policy allows only what the pages use themselves.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; " +
	"connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// Access says who may speak to the server, and by which names. The zero value
// is right for a server that only its own machine reaches.
type Access struct {
	// Hosts are names and addresses by which the pages may be called, beside
	// those of the machine itself, of PublicURL and the address that was
	// connected to.
	Hosts []string
	// PublicURL is the address of the pages as people know it, empty for none.
	PublicURL string
	// Proxies, if there are any, are the only ones beside the machine itself
	// that may connect.
	Proxies []netip.Prefix
}

// Protect wraps all routes of the server: it refuses requests that another
// site makes in a visitor's name, under a name of its own or under ours, and
// those of strangers where proxies are named; it bounds bodies, and tells
// browsers to run nothing but our own files.
func Protect(next http.Handler, access Access) http.Handler {
	limited := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		next.ServeHTTP(w, r)
	})
	crossing := http.NewCrossOriginProtection()
	public, err := url.Parse(access.PublicURL)
	if err == nil && public.Host != "" {
		// A proxy may call us by another name than its visitors call it.
		if err := crossing.AddTrustedOrigin(public.Scheme + "://" + public.Host); err == nil {
			access.Hosts = append(slices.Clone(access.Hosts), public.Hostname())
		}
	}
	guarded := linked(crossing.Handler(limited))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		switch {
		case !access.admits(r):
			http.Error(w, "Only this machine and the proxies named under web.proxies in facility.yaml may connect here.", http.StatusForbidden)
		case !access.knows(r):
			http.Error(w, fmt.Sprintf("This server does not go by the name %q. If it should, add the name to web.hosts in facility.yaml.", hostOf(r.Host)), http.StatusMisdirectedRequest)
		case unsigned(r):
			http.Error(w, "This form does not say from which page it was sent, so it could be from another site. Send it from the page itself; programs use /api/v1 with a JSON body.", http.StatusForbidden)
		default:
			guarded.ServeHTTP(w, r)
		}
	})
}

// linked lets the form of a page behind a link in through what keeps forms of
// other sites out, where its browser does not say whose form it is: told to name
// that page to nobody, it calls itself nobody (Origin: null), and an old browser,
// or one that was not called by https, says no more. No other site knows the
// link, which alone lets the form do anything.
func linked(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, answerRoot) && r.Header.Get("Origin") == "null" && r.Header.Get("Sec-Fetch-Site") == "" {
			r.Header.Del("Origin")
		}
		next.ServeHTTP(w, r)
	})
}

// admits reports whether the sender may connect.
func (a *Access) admits(r *http.Request) bool {
	if len(a.Proxies) == 0 {
		return true
	}
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	ip := from.Addr().Unmap()
	return ip.IsLoopback() || slices.ContainsFunc(a.Proxies, func(p netip.Prefix) bool { return p.Contains(ip) })
}

// knows reports whether the server goes by the name that a request calls it. A
// page of another site can have its own name lead to our address, and its
// visitors' browsers then take it for us; that name is how it is found out. A
// request without a name is not from a browser.
func (a *Access) knows(r *http.Request) bool {
	host := hostOf(r.Host)
	if host == "" || host == "localhost" {
		return true
	}
	if slices.ContainsFunc(a.Hosts, func(known string) bool { return hostOf(known) == host }) {
		return true
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return false
	}
	if ip.IsLoopback() || ip.IsUnspecified() {
		return true
	}
	local, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if local == nil {
		return false
	}
	at, err := netip.ParseAddrPort(local.String())
	return err == nil && at.Addr().Unmap() == ip.Unmap()
}

// hostOf is the name or address in host:port, in the one form of it.
func hostOf(hostport string) string {
	host := hostport
	if name, _, err := net.SplitHostPort(hostport); err == nil {
		host = name
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

// unsigned reports whether a request could be a form of another site that an
// old browser sends without saying so. What carries JSON cannot be: a browser
// asks before it sends that to another site.
func unsigned(r *http.Request) bool {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodOptions:
		return false
	}
	if r.Header.Get("Origin") != "" || r.Header.Get("Sec-Fetch-Site") != "" {
		return false
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err == nil && kind == "application/json" {
		return false
	}
	from, err := url.Parse(r.Header.Get("Referer"))
	return err != nil || from.Host == "" || from.Host != r.Host
}

// Allowed are the methods by which mux has something at the address of a
// request, other than the patterns that take whatever is left.
func Allowed(mux *http.ServeMux, r *http.Request, rest ...string) []string {
	var methods []string
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost} {
		asked := *r
		asked.Method = method
		if _, pattern := mux.Handler(&asked); pattern != "" && !slices.Contains(rest, pattern) {
			methods = append(methods, method)
		}
	}
	return methods
}
