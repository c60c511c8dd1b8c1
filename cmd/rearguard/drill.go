package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/dashboards/api"
	"rearguard/dashboards/format"
)

type drillCommand struct {
	Config  string `default:"facility.yaml" help:"Configuration file; the running daemon is asked at its web.listen." placeholder:"FILE"`
	URL     string `help:"Address of the running daemon's pages, instead of that in the configuration." placeholder:"URL"`
	Who     string `help:"Your name, for the record." placeholder:"NAME"`
	Person  string `help:"Send a test to this person only." placeholder:"ID"`
	Channel string `help:"By this channel only, with --person." placeholder:"ID"`
	List    bool   `help:"List the newest tests and drills, with who has answered."`
	JSON    bool   `help:"Print as JSON."`
}

func (c *drillCommand) Validate() error {
	switch {
	case c.List && (c.Who != "" || c.Person != "" || c.Channel != ""):
		return errors.New("--list starts nothing: leave --who, --person and --channel out")
	case !c.List && c.Who == "":
		return errors.New("say who you are with --who, or what there was with --list")
	case c.Channel != "" && c.Person == "":
		return errors.New("--channel needs --person")
	}
	return nil
}

// Run asks the running daemon, whose channels are to be tried.
func (c *drillCommand) Run(ctx context.Context, e *cli.Env) error {
	base, err := daemonURL(c.URL, c.Config)
	if err != nil {
		return err
	}
	if c.List {
		return c.list(ctx, e, base)
	}
	path, body := "/api/v1/drills", any(api.WhoBody{Who: c.Who})
	if c.Person != "" {
		path, body = "/api/v1/people/"+url.PathEscape(c.Person)+"/test", api.TestBody{Who: c.Who, Channel: c.Channel}
	}
	var done api.Done
	if err := askDaemon(ctx, base, path, body, &done); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(done)
	}
	whom := "Everybody on the roster is sent a test notice by each of their channels"
	if c.Person != "" {
		whom = c.Person + " is sent a test notice"
	}
	_, err = fmt.Fprintln(e.Out, whom+"; rearguard drill --list tells who has answered.")
	return err
}

func (c *drillCommand) list(ctx context.Context, e *cli.Env, base string) error {
	var d api.Drills
	if err := askDaemon(ctx, base, "/api/v1/drills", nil, &d); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(d)
	}
	return printDrills(e.Out, &d)
}

func printDrills(out io.Writer, d *api.Drills) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for i := range d.Drills {
		one := &d.Drills[i]
		by := one.Who
		if one.Period != "" {
			by = "the schedule, for " + one.Period
		}
		fmt.Fprintf(w, "%s of %s by %s\n", format.Capital(one.Kind), one.Began.Format(time.RFC3339), by)
		for _, n := range one.List {
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\n", n.Person, n.Channel, handedOver(one, &n), arrived(&n))
		}
		if len(one.Silent) > 0 {
			fmt.Fprintf(w, "  without an answer: %s\n", strings.Join(one.Silent, ", "))
		}
	}
	if len(d.Drills) == 0 {
		fmt.Fprintln(w, "No test and no drill yet.")
	}
	if d.Next != nil {
		fmt.Fprintf(w, "The next drill starts by itself at %s.\n", d.Next.Format(time.RFC3339))
	}
	if d.Problem != "" {
		fmt.Fprintf(w, "%s.\n", format.Capital(d.Problem))
	}
	return w.Flush()
}

func handedOver(d *api.Drill, n *api.DrillLine) string {
	switch {
	case n.Taken != nil:
		return "handed over after " + n.Taken.Sub(d.Began).Round(time.Second).String()
	case n.GivenUp:
		return "not handed over: " + n.Failure
	case n.Failure != "":
		return "not handed over yet: " + n.Failure
	}
	return "not handed over yet"
}

func arrived(n *api.DrillLine) string {
	if n.Arrived == nil || n.Took == nil {
		return "no answer"
	}
	return fmt.Sprintf("arrived after %s, says %s", time.Duration(*n.Took*float64(time.Second)).Round(time.Second), n.By)
}
