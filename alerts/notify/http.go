package notify

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"rearguard/alerts/notify/letter"
)

const (
	httpLimit = 10 * time.Second
	// retryAfterCap keeps a careless server from silencing a channel.
	retryAfterCap = time.Hour
	answerLimit   = 4 << 10
	excerptLimit  = 200
)

// NewHTTPClient returns a client that gives a call 10 s and follows no
// redirect. Roots vouch for the server; nil stands for those of the system.
func NewHTTPClient(roots *x509.CertPool) *http.Client {
	transport := &http.Transport{
		Proxy:               http.ProxyFromEnvironment,
		TLSClientConfig:     &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		TLSHandshakeTimeout: httpLimit,
		MaxIdleConns:        atOnce, IdleConnTimeout: time.Minute,
		MaxResponseHeaderBytes: 64 << 10,
		ForceAttemptHTTP2:      true,
	}
	return &http.Client{
		Transport: transport, Timeout: httpLimit,
		// A redirect would carry the alarm to where nobody sent it.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Exchange makes a call and returns the header of an answer with a 2xx code,
// which has taken it. The answer 410 is an error made by Permanent, and one that
// says when to try again an error made by RetryAfter. Peer names the server in
// errors; what is in secret is left out of them, should the server repeat it.
func Exchange(client *http.Client, request *http.Request, peer string, now time.Time, secret ...string) (http.Header, error) {
	answer, err := client.Do(request)
	if err != nil {
		return nil, fmt.Errorf("call %s: %w", peer, plainly(err))
	}
	text, readErr := io.ReadAll(io.LimitReader(answer.Body, answerLimit))
	closeErr := answer.Body.Close()
	if answer.StatusCode >= 200 && answer.StatusCode < 300 {
		// Taken; what its body says or how it ends changes nothing.
		return answer.Header, nil
	}
	return nil, judge(answer, concealed(string(text), secret), peer, now, errors.Join(readErr, closeErr))
}

// concealed is a text without secrets.
func concealed(text string, secrets []string) string {
	for _, s := range secrets {
		if s != "" {
			text = strings.ReplaceAll(text, s, "…")
		}
	}
	return text
}

// plainly is an error of a call without the address and the port that the
// system chose for it: the first is known and the other new each time, so that
// one trouble would look like many.
func plainly(err error) error {
	var call *url.Error
	if errors.As(err, &call) {
		err = call.Err
	}
	var op *net.OpError
	if errors.As(err, &op) && op.Err != nil {
		return fmt.Errorf("%s: %w", op.Op, op.Err)
	}
	return err
}

// judge turns an answer other than 2xx into an error.
func judge(answer *http.Response, text, peer string, now time.Time, reading error) error {
	err := fmt.Errorf("%s answered %s", peer, answer.Status)
	switch excerpt := letter.OneLine(text[:min(len(text), excerptLimit)]); {
	case answer.StatusCode >= 300 && answer.StatusCode < 400:
		err = fmt.Errorf("%s answered %s: redirects are not followed, configure the final address", peer, answer.Status)
	case reading == nil && excerpt != "":
		err = fmt.Errorf("%s answered %s: %s", peer, answer.Status, excerpt)
	}
	if answer.StatusCode == http.StatusGone {
		return Permanent(err)
	}
	if after, ok := parseRetryAfter(answer.Header.Get("Retry-After"), now); ok {
		return RetryAfter(after, err)
	}
	return err
}

// parseRetryAfter reads the header of RFC 9110 section 10.2.3: seconds or a
// date.
func parseRetryAfter(value string, now time.Time) (time.Duration, bool) {
	if value == "" {
		return 0, false
	}
	if seconds, err := strconv.ParseUint(value, 10, 32); err == nil {
		return min(time.Duration(seconds)*time.Second, retryAfterCap), true
	}
	at, err := http.ParseTime(value)
	if err != nil {
		return 0, false
	}
	return min(max(at.Sub(now), 0), retryAfterCap), true
}
