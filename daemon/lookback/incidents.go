package lookback

import (
	"context"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/records/incidentlog"
	"rearguard/daemon/snapshot"
)

// mostIncidents bounds a list of incidents for a page.
const mostIncidents = 1000

// Incidents are those that ended in the last days of the records, the newest
// first, a thousand at most.
func (d *AlarmRecords) Incidents(ctx context.Context, days int) ([]snapshot.Incident, error) {
	marks, err := d.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	// What ended at the last moment counts.
	rows, err := incidentlog.Between(ctx, d.Records, marks.Clock.AddDate(0, 0, -days), marks.Clock.AddDate(0, 0, 1), mostIncidents)
	if err != nil {
		return nil, err
	}
	list, definition := make([]snapshot.Incident, len(rows)), definitions()
	for k := range rows {
		list[k] = snapshot.IncidentOf(rows[k].Incident, definition)
	}
	return list, nil
}

// Incident is the ended one of a number, nil if there is none.
func (d *AlarmRecords) Incident(ctx context.Context, number int64) (*snapshot.Incident, error) {
	row, err := incidentlog.Of(ctx, d.Records, number)
	if err != nil || row == nil {
		return nil, err
	}
	i := snapshot.IncidentOf(row.Incident, definitions())
	return &i, nil
}

// definitions are the words of all conditions.
func definitions() func(alerts.Condition) alerts.Definition {
	of := map[alerts.Condition]alerts.Definition{}
	for _, d := range conditions.Definitions() {
		of[d.Condition] = d
	}
	return func(c alerts.Condition) alerts.Definition { return of[c] }
}
