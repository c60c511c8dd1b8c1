package web_test

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"

	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

func guarded(t *testing.T, access web.Access) (http.Handler, *dashtest.Facility) {
	t.Helper()
	f := dashtest.New(dashtest.Sample())
	s, err := web.New(f, web.Options{Now: dashtest.Now, Wall: dashtest.Now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return web.Protect(s, access), f
}

// A page of another site can have its own name lead to our address: its
// visitors' browsers then take it for us. The server knows its names.
func TestOnlyKnownNamesAreServed(t *testing.T) {
	h, f := guarded(t, web.Access{Hosts: []string{"rearguard.lan"}, PublicURL: "https://moths.example.org/x"})
	at := func(host, local string) int {
		t.Helper()
		form := url.Values{"condition": {"heat"}, "room": {"nursery"}, "who": {"Ines"}}
		status := 0
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			r := httptest.NewRequest(method, "http://placeholder/alarms/acknowledge", strings.NewReader(form.Encode()))
			if method == http.MethodGet {
				r = httptest.NewRequest(method, "http://placeholder/alarms", http.NoBody)
			}
			r.Host = host
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("Origin", "http://"+host)
			r.Header.Set("Sec-Fetch-Site", "same-origin")
			if local != "" {
				r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(net.TCPAddrFromAddrPort(netip.MustParseAddrPort(local)))))
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code == http.StatusMisdirectedRequest && !strings.Contains(w.Body.String(), "web.hosts") {
				t.Errorf("%s: refused without saying what to do: %s", host, w.Body)
			}
			if status != 0 && (status == http.StatusMisdirectedRequest) != (w.Code == http.StatusMisdirectedRequest) {
				t.Errorf("%s: reading gives %d, sending %d", host, status, w.Code)
			}
			status = w.Code
		}
		return status
	}
	for _, host := range []string{"evil.example", "evil.example:8080", "127.0.0.1.evil.example", "localhost.evil.example", "192.0.2.1:8080", "[2001:db8::1]:80"} {
		if got := at(host, "127.0.0.1:8080"); got != http.StatusMisdirectedRequest {
			t.Errorf("%s: status %d, want 421", host, got)
		}
	}
	if n := len(f.Commands()); n != 0 {
		t.Fatalf("%d commands came through", n)
	}
	for _, host := range []string{"localhost:8080", "127.0.0.1:8080", "127.0.0.1", "[::1]:8080", "0.0.0.0:8080", "Rearguard.lan", "rearguard.lan.:8080", "moths.example.org", ""} {
		if got := at(host, "127.0.0.1:8080"); got != http.StatusSeeOther {
			t.Errorf("%s: status %d, want it taken", host, got)
		}
	}
	if got := at("192.0.2.7:8080", "192.0.2.7:8080"); got != http.StatusSeeOther {
		t.Errorf("the address that was connected to: status %d", got)
	}
}

// A proxy may call us by another name than the page's visitors call it.
func TestFormsThroughAProxy(t *testing.T) {
	h, _ := guarded(t, web.Access{PublicURL: "https://moths.example.org", Proxies: []netip.Prefix{netip.MustParsePrefix("192.0.2.0/28")}})
	post := func(from, origin string) int {
		r := httptest.NewRequest(http.MethodPost, "http://localhost:8080/who", strings.NewReader("who=Ines"))
		r.RemoteAddr = from
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", origin)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code
	}
	for from, want := range map[string]int{
		"192.0.2.10:999": 303, "127.0.0.1:999": 303, "[::1]:999": 303, "[::ffff:192.0.2.10]:999": 303,
		"192.0.2.99:999": 403, "198.51.100.1:999": 403, "somewhere": 403,
	} {
		if got := post(from, "https://moths.example.org"); got != want {
			t.Errorf("from %s: status %d, want %d", from, got, want)
		}
	}
	if got := post("192.0.2.10:999", "https://evil.example"); got != 403 {
		t.Errorf("a form of another site through the proxy: status %d", got)
	}
}

// A form that does not say from where it comes could come from anywhere.
func TestUnsignedFormsAreRefused(t *testing.T) {
	h, f := guarded(t, web.Access{})
	for _, tt := range []struct {
		referer, kind string
		want          int
	}{
		{"", "application/x-www-form-urlencoded", 403},
		{"http://evil.example/", "application/x-www-form-urlencoded", 403},
		{"", "text/plain", 403},
		{"", "", 403},
		{"http://localhost/alarms", "application/x-www-form-urlencoded", 303},
	} {
		r := httptest.NewRequest(http.MethodPost, "http://localhost/alarms/acknowledge", strings.NewReader("condition=heat&room=nursery&who=Ines"))
		r.Header.Set("Content-Type", tt.kind)
		if tt.referer != "" {
			r.Header.Set("Referer", tt.referer)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != tt.want {
			t.Errorf("from %q as %q: status %d, want %d", tt.referer, tt.kind, w.Code, tt.want)
		}
	}
	if n := len(f.Commands()); n != 1 {
		t.Errorf("%d commands came through, want the one from the own page", n)
	}
}

func TestWrongMethod(t *testing.T) {
	h, _ := guarded(t, web.Access{})
	for _, tt := range []struct {
		method, path string
		status       int
		allow        string
	}{
		{http.MethodPost, "/alarms", 405, "GET, HEAD"},
		{http.MethodDelete, "/rooms/nursery", 405, "GET, HEAD"},
		{http.MethodGet, "/alarms/acknowledge", 405, "POST"},
		{http.MethodPut, "/who", 405, "GET, HEAD, POST"},
		{http.MethodPost, "/none", 404, ""},
		{http.MethodGet, "/none", 404, ""},
	} {
		r := httptest.NewRequest(tt.method, "http://localhost"+tt.path, http.NoBody)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != tt.status || w.Header().Get("Allow") != tt.allow {
			t.Errorf("%s %s: status %d, allow %q; want %d and %q", tt.method, tt.path, w.Code, w.Header().Get("Allow"), tt.status, tt.allow)
		}
	}
}
