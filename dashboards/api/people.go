package api

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"rearguard/daemon/records/drills"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/people"
)

// Person is somebody who can be told.
type Person struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Channels []Way  `json:"channels" doc:"by which the roster has this person told"`
}

// Way is a channel to a person.
type Way struct {
	Channel    string   `json:"channel"`
	Priorities []string `json:"priorities" doc:"of the alarms it is used for"`
}

// Drills are the newest tests and drills.
type Drills struct {
	Next    *time.Time `json:"next,omitempty" doc:"when a drill starts by itself; absent for never"`
	Problem string     `json:"problem,omitempty" doc:"what is wrong with drills: none for too long, or somebody did not answer"`
	Drills  []Drill    `json:"drills" doc:"the newest first"`
}

// Drill is a test, or a drill of everybody.
type Drill struct {
	ID     int64       `json:"id"`
	Kind   string      `json:"kind" doc:"test or drill"`
	Began  time.Time   `json:"began"`
	Who    string      `json:"who,omitempty" doc:"who started it; absent for the schedule"`
	Period string      `json:"period,omitempty" doc:"period of the schedule that started it"`
	Silent []string    `json:"without_answer" doc:"ids of people who have not said of any notice that it arrived"`
	List   []DrillLine `json:"notices"`
}

// DrillLine is one notice of a drill.
type DrillLine struct {
	Number  int64      `json:"number"`
	Person  string     `json:"person"`
	Channel string     `json:"channel"`
	Taken   *time.Time `json:"taken,omitempty" doc:"when the channel took it"`
	Failure string     `json:"failure,omitempty" doc:"what the last attempt met with"`
	GivenUp bool       `json:"given_up,omitempty" doc:"true when it is not tried any more"`
	Arrived *time.Time `json:"arrived,omitempty" doc:"when somebody said that it arrived"`
	By      string     `json:"arrived_by,omitempty" doc:"who said so"`
	Took    *float64   `json:"arrived_after_seconds,omitempty"`
}

// TestBody asks for a test of one person's channels.
type TestBody struct {
	Who     string `json:"who" doc:"name of the person who asks for it"`
	Channel string `json:"channel,omitempty" doc:"id of a channel; every channel of the person if absent"`
}

// shownDrills is how many tests and drills an answer has at most.
const shownDrills = 100

// aboutPeople are the operations on people and drills.
func (a *server) aboutPeople() []operation {
	listed := func(path, id, summary string, sample any, of func(ctx context.Context) (any, error)) operation {
		return operation{method: http.MethodGet, path: path, id: id, summary: summary, result: sample, run: func(r *http.Request, _ any) (any, error) {
			return of(r.Context())
		}}
	}
	return []operation{
		listed("/people", "listPeople", "Those who can be told, with how the roster has them told", []Person{}, func(context.Context) (any, error) {
			return each(a.people.People(), personOf), nil
		}),
		listed("/drills", "listDrills", "The newest tests and drills, with what became of each notice", Drills{}, func(ctx context.Context) (any, error) {
			t, err := a.people.Trials(ctx, shownDrills)
			return Drills{instant(t.Next), t.Problem, each(t.List, drillOf)}, err
		}),
		asked("/people/{id}/test", "testPerson", "Send somebody a test notice, which counts as no alarm", "test", func(r *http.Request, b *TestBody, who string) error {
			return a.people.Test(r.Context(), r.PathValue("id"), b.Channel, who)
		}, func(b *TestBody) string { return b.Who }),
		asked("/drills", "startDrill", "Send everybody on the roster a test notice by each of their channels", "drill", func(r *http.Request, _ *WhoBody, who string) error {
			return a.people.Drill(r.Context(), who)
		}, func(b *WhoBody) string { return b.Who }),
	}
}

// asked builds an operation that a person asks for by name.
func asked[B any](path, id, summary, kind string, do func(r *http.Request, b *B, who string) error, name func(*B) string) operation {
	var sample B
	return operation{method: http.MethodPost, path: path, id: id, summary: summary, body: sample, result: Done{}, run: func(r *http.Request, body any) (any, error) {
		b := body.(*B) //nolint:errcheck // decode made it from the same sample
		who, err := entry.Who(name(b))
		if err != nil {
			return nil, err
		}
		return Done{Stored: kind}, do(r, b, who)
	}}
}

// nobody stands for the people where there are none.
type nobody struct{}

var errNobody = fmt.Errorf("the people of this server are %w: it tells nobody anything", snapshot.ErrUnknown)

func (nobody) People() []people.Person { return nil }

func (nobody) Trials(context.Context, int) (people.Trials, error) { return people.Trials{}, nil }

func (nobody) Test(context.Context, string, string, string) error { return errNobody }

func (nobody) Drill(context.Context, string) error { return errNobody }

func (nobody) Arrived(context.Context, int64, string) error { return errNobody }

func personOf(p *people.Person) Person {
	return Person{p.ID, p.Name, each(p.Ways, func(w *people.Way) Way {
		names := make([]string, len(w.Priorities))
		for i, p := range w.Priorities {
			names[i] = p.String()
		}
		return Way{w.Channel, names}
	})}
}

func drillOf(d *drills.Drill) Drill {
	kind := "test"
	if d.Whole {
		kind = "drill"
	}
	silent := d.Silent()
	if silent == nil {
		silent = []string{}
	}
	return Drill{d.ID, kind, d.Began, d.Who, d.Period, silent, each(d.Notices, func(n *drills.Notice) DrillLine {
		line := DrillLine{
			Number: n.ID, Person: n.Person, Channel: n.Channel, Taken: instant(n.TakenAt), Failure: n.Failure, GivenUp: n.GivenUp,
			Arrived: instant(n.ArrivedAt), By: n.ArrivedBy,
		}
		if !n.ArrivedAt.IsZero() {
			took := d.Took(n).Seconds()
			line.Took = &took
		}
		return line
	})}
}
