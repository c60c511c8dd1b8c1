package delivery

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/mail"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/emersion/go-smtp"
)

// mailServer takes all mail.
type mailServer struct{ ledger *ledger }

func (m mailServer) NewSession(*smtp.Conn) (smtp.Session, error) {
	return &mailSession{ledger: m.ledger}, nil
}

type mailSession struct {
	ledger *ledger
	to     string
}

func (s *mailSession) Reset()        {}
func (s *mailSession) Logout() error { return nil }

func (s *mailSession) Mail(string, *smtp.MailOptions) error { return nil }

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.to = to
	return nil
}

// idPattern is how the message id names the news; the first call has no
// sequence.
var idPattern = regexp.MustCompile(`^<(\d+)-(\d+)(?:-(\d+))?\.`)

func (s *mailSession) Data(r io.Reader) error {
	message, err := mail.ReadMessage(r)
	if err != nil {
		return err
	}
	if _, err := io.Copy(io.Discard, message.Body); err != nil {
		return err
	}
	id := message.Header.Get("Message-Id")
	person, _, _ := strings.Cut(s.to, "@")
	parts := idPattern.FindStringSubmatch(id)
	if parts == nil {
		s.ledger.enter(id)
		return nil
	}
	n := news{person: person, channel: "mail", sequence: 2}
	n.occurrence, _ = strconv.ParseInt(parts[1], 10, 64)
	n.raised, _ = strconv.ParseInt(parts[2], 10, 64)
	if parts[3] != "" {
		n.sequence, _ = strconv.ParseInt(parts[3], 10, 64)
	}
	s.ledger.enter(id, n)
	return nil
}

// mailFaults are what befalls mail, of 10,000 connections.
func mailFaults() []chance {
	return []chance{{refused, 600}, {slow, 800}, {cut, 500}, {later, 500}, {never, 30}, {unheard, 2}}
}

// mailProxy stands between rearguard and the mail server.
type mailProxy struct {
	dice   *dice
	server string
}

// serve passes one connection on.
func (p *mailProxy) serve(client net.Conn) {
	defer client.Close() //nolint:errcheck // it is cut, one way or the other
	what, share := p.dice.draw(mailFaults())
	switch what {
	case refused:
		reset(client)
		return
	case slow:
		time.Sleep(time.Duration(50+share*450) * time.Millisecond)
	case none, cut, later, never, unheard, busy, failing, short:
	}
	server, err := net.Dial("tcp", p.server)
	if err != nil {
		return
	}
	defer server.Close() //nolint:errcheck // it is cut, one way or the other
	x := &exchange{client: client, server: server, fromClient: bufio.NewReader(client), fromServer: bufio.NewReader(server)}
	if x.answer() != nil {
		return
	}
	for x.command(what, share) == nil {
	}
}

// exchange is an SMTP session, one command after the other.
type exchange struct {
	client, server         net.Conn
	fromClient, fromServer *bufio.Reader
}

// answer passes an answer on, of one line or several.
func (x *exchange) answer() error {
	for {
		line, err := x.fromServer.ReadString('\n')
		if err != nil {
			return err
		}
		if _, err := io.WriteString(x.client, line); err != nil {
			return err
		}
		if len(line) < 4 || line[3] != '-' {
			return nil
		}
	}
}

// command passes a command on, and what is said to it. It fails when the session
// is over.
func (x *exchange) command(what fault, share float64) error {
	line, err := x.fromClient.ReadString('\n')
	if err != nil {
		return err
	}
	verb := strings.ToUpper(strings.TrimSpace(line))
	verb = verb[:min(4, len(verb))]
	refuse := map[fault][2]string{later: {[]string{"MAIL", "RCPT", "DATA"}[int(share*3)], "451 try again later"}, never: {"RCPT", "554 no such person"}}[what]
	if refuse[0] == verb && verb != "" {
		_, err := io.WriteString(x.client, refuse[1]+"\r\n")
		return fmt.Errorf("refused: %w", cmpError(err))
	}
	if _, err := io.WriteString(x.server, line); err != nil {
		return err
	}
	if verb != "DATA" {
		return x.answer()
	}
	if err := x.answer(); err != nil {
		return err
	}
	for lines := 0; ; lines++ {
		line, err := x.fromClient.ReadString('\n')
		if err != nil {
			return err
		}
		if what == cut && lines > int(share*20) {
			return io.ErrUnexpectedEOF
		}
		if _, err := io.WriteString(x.server, line); err != nil {
			return err
		}
		if line == ".\r\n" {
			break
		}
	}
	if what == unheard {
		// It is taken when this comes, and nobody hears of it.
		_, err := x.fromServer.ReadString('\n')
		return fmt.Errorf("unheard: %w", cmpError(err))
	}
	return x.answer()
}

// cmpError is an error in any case.
func cmpError(err error) error {
	if err == nil {
		return io.EOF
	}
	return err
}

// reset ends a connection the way a machine does on which nobody listens.
func reset(c net.Conn) {
	if tcp, ok := c.(*net.TCPConn); ok {
		_ = tcp.SetLinger(0) // it is closed all the same
	}
	_ = c.Close() // it is gone
}
