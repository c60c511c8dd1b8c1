package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/facility"
	"rearguard/dashboards/api"
)

type sensorsCommand struct {
	Config    string `default:"facility.yaml" help:"Configuration file; the running daemon is asked at its web.listen." placeholder:"FILE"`
	URL       string `help:"Address of the running daemon's pages, instead of that in the configuration." placeholder:"URL"`
	Unclaimed bool   `help:"List topics seen on the broker that no sensor claims."`
	JSON      bool   `help:"Print as JSON."`
}

func (c *sensorsCommand) Run(ctx context.Context, e *cli.Env) error {
	base, err := daemonURL(c.URL, c.Config)
	if err != nil {
		return err
	}
	if c.Unclaimed {
		var topics []api.Unclaimed
		if err := askDaemon(ctx, base, "/api/v1/sensors/unclaimed", nil, &topics); err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(e.Out).Encode(topics)
		}
		return printUnclaimed(e.Out, topics)
	}
	var list []api.Sensor
	if err := askDaemon(ctx, base, "/api/v1/sensors", nil, &list); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(list)
	}
	return printSensors(e.Out, list)
}

func printUnclaimed(out io.Writer, topics []api.Unclaimed) error {
	if len(topics) == 0 {
		_, err := fmt.Fprintln(out, "No topic without a sensor was seen. Only what broker.discover covers is.")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "TOPIC\tFORMAT\tLOOKS LIKE\tMESSAGES\tEVERY\tFIRST SEEN\tLAST PAYLOAD")
	for _, t := range topics {
		var looks []string
		for _, f := range t.Fields {
			if f.Quantity != "" {
				looks = append(looks, fmt.Sprintf("%s %g %s", f.Quantity, f.Value, f.Unit))
			}
		}
		if len(looks) == 0 {
			looks = []string{"-"}
		}
		format, last := t.Format, ""
		if format == "" {
			format = "-"
		}
		if n := len(t.Payloads); n > 0 {
			last = t.Payloads[n-1].Excerpt
		}
		every := "-"
		if t.Interval != nil {
			every = time.Duration(*t.Interval * float64(time.Second)).Round(100 * time.Millisecond).String()
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%s\t%s\t%s\n", t.Topic, format, strings.Join(looks, ", "), t.Messages, every, t.First.Format(time.RFC3339), last)
	}
	return w.Flush()
}

func printSensors(out io.Writer, list []api.Sensor) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "SENSOR\tROOM\tQUALITY\tLAST READING\tFINDINGS")
	for _, s := range list {
		last, state := "never", s.Quality
		if s.LastReading != nil {
			last = s.LastReading.Format(time.RFC3339)
		}
		if s.Silent {
			state = "silent"
		}
		var found []string
		for _, f := range s.Findings {
			found = append(found, f.Text)
		}
		room := s.Room
		if room == "" {
			room = "-"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", s.ID, room, state, last, strings.Join(found, "; "))
	}
	return w.Flush()
}

// daemonURL is where the running daemon answers.
func daemonURL(url, config string) (string, error) {
	if url != "" {
		return strings.TrimRight(url, "/"), nil
	}
	f, err := cli.LoadPlainFacility(config)
	if err != nil {
		return "", err
	}
	return "http://" + localAddress(f), nil
}

// localAddress is the pages' address as this machine can reach it: a daemon
// that listens everywhere is called on the loopback.
func localAddress(f *facility.Facility) string {
	host, port, err := net.SplitHostPort(f.Web.Listen)
	if err != nil {
		return f.Web.Listen
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}

// askWithin bounds one question to the daemon.
const askWithin = 15 * time.Second

// askDaemon gets an answer of the running daemon; with a body it gives a
// command.
func askDaemon(ctx context.Context, base, path string, body, into any) error {
	method, content := http.MethodGet, io.Reader(nil)
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return err
		}
		method, content = http.MethodPost, bytes.NewReader(b)
	}
	request, err := http.NewRequestWithContext(ctx, method, base+path, content)
	if err != nil {
		return cli.Unusable("%w", err)
	}
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	answer, err := (&http.Client{Timeout: askWithin}).Do(request)
	if err != nil {
		return cli.Unusable("ask the running daemon at %s: %w (is it running? --url names another address)", base, errors.Unwrap(err))
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		var problem api.Problem
		if err := json.NewDecoder(answer.Body).Decode(&problem); err != nil || problem.Detail == "" {
			return fmt.Errorf("the daemon at %s answers %s", base, answer.Status)
		}
		return errors.New(problem.Detail)
	}
	if into == nil {
		return nil
	}
	if err := json.NewDecoder(answer.Body).Decode(into); err != nil {
		return fmt.Errorf("answer of the daemon at %s: %w", base, err)
	}
	return nil
}
