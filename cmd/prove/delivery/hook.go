package delivery

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"time"
)

// hookServer takes all calls.
type hookServer struct{ ledger *ledger }

// call is what is read of a call.
type call struct {
	Data struct {
		Recipient string `json:"recipient"`
		hookNews
		Also []hookNews `json:"also"`
	} `json:"data"`
}

type hookNews struct {
	Occurrence int64     `json:"occurrence"`
	RaisedAt   time.Time `json:"raised_at"`
	Sequence   int64     `json:"sequence"`
}

func (h hookServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var c call
	if err := json.NewDecoder(r.Body).Decode(&c); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	var list []news
	for _, n := range append(c.Data.Also, c.Data.hookNews) {
		list = append(list, news{c.Data.Recipient, "hook", n.Occurrence, n.RaisedAt.UnixMilli(), n.Sequence})
	}
	h.ledger.enter(r.Header.Get("Webhook-Id"), list...)
	_, _ = fmt.Fprintln(w, "taken") // whoever cut the line does not need it
}

// hookFaults are what befalls calls, of 10,000.
func hookFaults() []chance {
	return []chance{{refused, 600}, {slow, 800}, {cut, 500}, {busy, 300}, {failing, 400}, {short, 300}, {unheard, 2}}
}

// hookProxy stands between rearguard and a web server.
type hookProxy struct {
	dice *dice
	// server is the address of what is behind it.
	server string
	client http.Client
}

func (p *hookProxy) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	what, share := p.dice.draw(hookFaults())
	var half int64
	switch what {
	case refused:
		p.end(w, true, "")
		return
	case cut:
		half = int64(share * float64(r.ContentLength))
		_, _ = io.CopyN(io.Discard, r.Body, half) // what comes is lost
		p.end(w, false, "")
		return
	case slow:
		time.Sleep(time.Duration(50+share*450) * time.Millisecond)
	case busy:
		w.Header().Set("Retry-After", "1")
		http.Error(w, "too many", http.StatusTooManyRequests)
		return
	case failing:
		http.Error(w, "out of order", http.StatusInternalServerError)
		return
	case none, short, unheard, later, never:
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		p.end(w, false, "")
		return
	}
	request, err := http.NewRequestWithContext(r.Context(), r.Method, p.server+r.URL.Path, bytes.NewReader(body))
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	request.Header = r.Header.Clone()
	answer, err := p.client.Do(request)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadGateway)
		return
	}
	text, _ := io.ReadAll(answer.Body)
	_ = answer.Body.Close() // it was read
	switch what {
	case short:
		p.end(w, false, fmt.Sprintf("HTTP/1.1 %s\r\nContent-Length: 1000\r\n\r\n", answer.Status))
	case unheard:
		p.end(w, false, "HTTP/1.1 20")
	default:
		w.WriteHeader(answer.StatusCode)
		_, _ = w.Write(text) // the caller may be dead
	}
}

// end ends the connection, after a few words.
func (p *hookProxy) end(w http.ResponseWriter, hard bool, words string) {
	conn, _, err := http.NewResponseController(w).Hijack()
	if err != nil {
		return
	}
	_, _ = io.WriteString(conn, words) // it is cut anyway
	if hard {
		reset(conn)
		return
	}
	_ = conn.Close() // it is cut
}
