package technician

import (
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/page"
)

// clockPage shows how the time stands, with the form to confirm the clock.
func clockPage() page.Page {
	return page.Page{Path: "/clock", Sections: []page.Section{page.Live("status"), page.Fixed("clock")}, Build: page.Plain("Clock")}
}

func confirmClock(f *page.Form) (page.Outcome, error) {
	command, err := entry.ConfirmClock(f.S, f.Person())
	return page.Outcome{Command: command, Done: "clock", Back: "/clock"}, err
}
