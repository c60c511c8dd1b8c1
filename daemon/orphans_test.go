package daemon

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/species"
	lost "rearguard/daemon/standing"
	"rearguard/sensors"
)

// A configuration that is not in force yet is told apart from the records: what
// it would orphan, and which of it are living cohorts.
func TestOrphansOfAnEdit(t *testing.T) {
	r := newRig(t)
	at := testStart
	r.monarchs(testStart)
	r.send("t/hall/a", "21", at)
	r.pass(&at, 60, 25)
	r.do(fold.StartBench{Sensor: "hall-a", Quantity: sensors.Temperature, Who: "Ana"})
	reader := r.records()
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"nothing":        {foldtest.Facility, nil},
		"a limit":        {edited(t, "{id: nursery, name: Nursery}", "{id: nursery, name: Nursery, limits: {heat_celsius: 40}}"), nil},
		"room renamed":   {renamedRoom(t), []string{"cohort monarch-1 living"}},
		"sensor renamed": {edited(t, "id: nursery-a", "id: north-a"), []string{"sensor nursery-a"}},
		"all retired":    {edited(t, "    room: nursery\n", "    room: nursery\n    retired: true\n"), []string{"cohort monarch-1 living"}},
		"hall removed":   {withoutHall(t), []string{"sensor hall-a", "bench hall-a", "alarm room_blind hall", "alarm sensor_silent hall hall-a"}},
		"a new species":  {foldtest.Facility + ownMoth, nil},
	} {
		f := foldtest.Parse(t, c.text)
		catalog, err := species.CatalogOf(f.Species)
		if err != nil {
			t.Fatal(err)
		}
		found, err := lost.Orphans(t.Context(), reader, r.engine.Snapshot(), f, catalog)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, o := range found {
			text := string(o.Kind) + " " + o.Name
			if o.Living {
				text += " living"
			}
			if o.Problem == "" || o.Advice == "" || o.Line == 0 {
				t.Errorf("%s: %+v says too little", name, o)
			}
			got = append(got, text)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
}
