package technician

import (
	"time"

	"rearguard/daemon/fold"
	"rearguard/dashboards/web/page"
)

// Configuration is how the configuration in force came to be so.
type Configuration struct {
	// File is the configuration file, ReadAt when it was taken last, and By who
	// asked for it.
	File   string
	ReadAt time.Time
	By     string
	// Restart names what in it holds only after a restart.
	Restart []string
	// Problem says why it was refused at ProblemAt, when that came later.
	Problem   string
	ProblemAt time.Time
}

// reload has the configuration file read again.
func reload(f *page.Form) (page.Outcome, error) {
	return page.Outcome{Command: fold.Configure{Who: f.Person()}, Done: "reloaded", Back: "/technician"}, nil
}
