package cohorts

import (
	"net/http"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
)

// Pages are the pages about the animals.
func Pages() []page.Page {
	return []page.Page{
		newPage(), cohortPage(),
		{Path: "/plan", Sections: []page.Section{page.Fixed("plan")}, Build: buildPlan},
		{Path: "/learning", Sections: []page.Section{page.Fixed("learning")}, Build: buildLearning},
		{Path: "/learning/{id}", Sections: []page.Section{page.Fixed("learned-species")}, Build: buildLearned},
	}
}

func cohortPage() page.Page {
	return page.Page{Path: "/cohorts/{id}", Build: buildCohort, Sections: []page.Section{
		page.Live("cohort"), page.Live("cohort-coming"), page.Fixed("count-form"), page.Live("counts"), page.Fixed("cohort-forms"),
	}}
}

// step is one stage in a cohort's timeline.
type step struct {
	Name    string
	Entered *snapshot.StageEntry
	Event   *snapshot.ExpectedEvent
	Share   float64
	// Current is the stage most animals are in.
	Current bool
}

type cohortModel struct {
	Cohort Card
	Steps  []step
	Stages []snapshot.StageName
	// Preselected is the stage the count form starts with.
	Preselected species.StageID
	Rooms       []snapshot.Room
	// Coming are the animals expected to pass each event, day by day; Counts
	// the counts with what was thought of them.
	Coming []Expected
	Counts []countModel
	Rate   string
	// Alarms are those that are about this cohort alone.
	Alarms []snapshot.Alarm
	// Past is set when time is entered by hand, so that its field is open.
	Past bool
}

func buildCohort(v *page.View, r *http.Request) (page.Content, error) {
	c, err := v.S.Cohort(population.CohortID(r.PathValue("id")))
	if err != nil {
		return page.Content{}, err
	}
	m := cohortModel{Cohort: CardOf(v, c), Preselected: c.Stage, Past: v.Form.Get("at") != ""}
	if s := v.Form.Get("stage"); s != "" {
		m.Preselected = species.StageID(s)
	}
	if sp, err := v.S.SpeciesOf(c.Species); err == nil {
		m.Stages = sp.Stages
	}
	for _, room := range v.S.Rooms {
		if room.ID != c.Room {
			m.Rooms = append(m.Rooms, room)
		}
	}
	for i := range v.S.Alarms {
		if a := &v.S.Alarms[i]; a.Active && a.Key.Subject == string(c.ID) {
			m.Alarms = append(m.Alarms, *a)
		}
	}
	m.Steps = stepsOf(c, m.Stages)
	m.Coming, m.Counts, m.Rate = ExpectedOf(v, []snapshot.Cohort{*c}), countsOf(c), rateText(c)
	return page.Content{Title: "Cohort " + string(c.ID), Data: m}, nil
}

// stepsOf joins what has happened and what is expected into one timeline.
func stepsOf(c *snapshot.Cohort, stages []snapshot.StageName) []step {
	if len(stages) == 0 {
		for _, s := range c.Stages {
			stages = append(stages, snapshot.StageName{ID: s.Stage, Name: s.Name})
		}
	}
	steps := make([]step, 0, len(stages))
	for _, st := range stages {
		s := step{Name: st.Name, Current: st.ID == c.Stage}
		for i := range c.Entered {
			if c.Entered[i].Stage == st.ID {
				s.Entered = &c.Entered[i]
			}
		}
		for i := range c.Expected {
			if c.Expected[i].Stage == st.ID {
				s.Event = &c.Expected[i]
			}
		}
		for _, share := range c.Stages {
			if share.Stage == st.ID {
				s.Share = share.Share
			}
		}
		steps = append(steps, s)
	}
	return steps
}

// StageOf is the name of a stage of the page's cohort.
func (m cohortModel) StageOf(stage species.StageID) string {
	return m.Cohort.V.S.StageName(m.Cohort.Species, stage)
}

func newPage() page.Page {
	return page.Page{Path: "/cohorts/new", Sections: []page.Section{page.Fixed("new-cohort")}, Build: buildNew}
}

// buildNew fills the form of a new cohort with the stages of all species, each
// once: the engine refuses a stage that the species chosen does not have.
func buildNew(v *page.View, _ *http.Request) (page.Content, error) {
	var stages []snapshot.StageName
	seen := map[species.StageID]bool{}
	for _, s := range v.S.Species {
		for _, st := range s.Stages {
			if !seen[st.ID] {
				seen[st.ID] = true
				stages = append(stages, st)
			}
		}
	}
	return page.Content{Title: "New cohort", Data: stages}, nil
}

// Actions are the forms about cohorts.
func Actions() []page.Action {
	return []page.Action{
		{Path: "/cohorts/new", Take: add, Again: newPage()},
		{Path: "/cohorts/{id}/count", Take: count, Again: cohortPage()},
		{Path: "/cohorts/{id}/undo", Take: undo, Again: cohortPage()},
		{Path: "/cohorts/{id}/move", Take: move, Again: cohortPage()},
		{Path: "/cohorts/{id}/end", Take: end, Again: cohortPage()},
		{Path: "/learning/adopt", Take: adopt},
		{Path: "/learning/refuse", Take: refuse},
	}
}

func cohortID(f *page.Form) population.CohortID { return population.CohortID(f.ID) }

func cohortPath(id population.CohortID) string { return page.To("/cohorts", string(id)) }

func add(f *page.Form) (page.Outcome, error) {
	n := entry.NewCohort{
		ID: population.CohortID(f.Text("id")), Species: species.ID(f.Text("species")), Room: sensors.RoomID(f.Text("room")),
		StartStage: species.StageID(f.Text("start_stage")), Individuals: f.Whole("individuals"), Start: f.Time("start"), Note: f.Text("note"),
	}
	cmd, err := entry.AddCohort(f.S, n, f.Text("who"))
	return page.Outcome{Command: cmd, Done: "added", Back: cohortPath(n.ID)}, err
}

func count(f *page.Form) (page.Outcome, error) {
	cmd, err := entry.RecordCount(f.S, population.Count{
		Cohort: cohortID(f), Stage: species.StageID(f.Text("stage")), By: f.Text("who"), Cause: f.Text("cause"), Note: f.Text("note"),
		Seen: f.Whole("seen"), Of: f.Whole("of"), Lost: f.Whole("lost"), OrBeyond: f.Text("beyond") != "",
		LengthMM: f.NumberOr("length", 0, "enter a number, for example 12.5"), Time: f.Time("at"),
	})
	return page.Outcome{Command: cmd, Done: "count", Back: cohortPath(cohortID(f))}, err
}

func undo(f *page.Form) (page.Outcome, error) {
	cmd, err := entry.UndoCount(f.S, cohortID(f), population.CountID(f.Whole("count")), f.Text("who"))
	return page.Outcome{Command: cmd, Done: "undone", Back: cohortPath(cohortID(f))}, err
}

func move(f *page.Form) (page.Outcome, error) {
	cmd, err := entry.MoveCohort(f.S, cohortID(f), sensors.RoomID(f.Text("room")), f.Time("at"), f.Text("who"))
	return page.Outcome{Command: cmd, Done: "moved", Back: cohortPath(cohortID(f))}, err
}

func end(f *page.Form) (page.Outcome, error) {
	cmd, err := entry.EndCohort(f.S, cohortID(f), f.Time("at"), f.Text("who"))
	return page.Outcome{Command: cmd, Done: "ended", Back: "/"}, err
}
