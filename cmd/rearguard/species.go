package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"text/tabwriter"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/rearing/species"
)

type speciesCommand struct {
	ID     string `arg:"" optional:"" help:"Species to explain; without it all are listed."`
	Config string `help:"Configuration whose own species entries are laid over the library. Default: the library alone." placeholder:"FILE"`
	Enter  bool   `help:"Say how to enter a species from your own stage durations."`
	JSON   bool   `help:"Print as JSON."`
}

// speciesReport is one line of the list.
type speciesReport struct {
	ID             species.ID     `json:"id"`
	CommonName     string         `json:"common_name"`
	ScientificName string         `json:"scientific_name"`
	RearedFor      string         `json:"reared_for"`
	Origin         species.Origin `json:"origin"`
	// Assumed is set when constants are to be verified on site.
	Assumed bool `json:"assumed"`
	// Constants says how far they are published: "published", "published in
	// part" or "assumed".
	Constants string  `json:"constants"`
	DaysAt25  float64 `json:"egg_to_adult_days_at_25_celsius"`
}

func (c *speciesCommand) Run(e *cli.Env) error {
	if c.Enter {
		_, err := fmt.Fprint(e.Out, species.HowToEnter)
		return err
	}
	catalog, err := c.catalog()
	if err != nil {
		return err
	}
	if c.ID != "" {
		sp, ok := catalog.Species(species.ID(c.ID))
		if !ok {
			return cli.Unusable("there is no species %q; rearguard species lists them, rearguard species --enter says how to add one", c.ID)
		}
		explained := species.Explain(sp)
		if c.JSON {
			return json.NewEncoder(e.Out).Encode(explained)
		}
		_, err := fmt.Fprint(e.Out, explained)
		return err
	}
	list := []speciesReport{}
	for _, sp := range catalog.All() {
		list = append(list, reportSpecies(sp))
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(list)
	}
	w := tabwriter.NewWriter(e.Out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "id\tname\tscientific name\treared for\tegg to adult at 25 °C\tconstants")
	for _, r := range list {
		constants := r.Constants
		if r.Assumed {
			constants += ", verify on site"
		}
		if r.Origin != species.OriginLibrary {
			constants += "; " + string(r.Origin)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.0f days\t%s\n", r.ID, r.CommonName, r.ScientificName, r.RearedFor, r.DaysAt25, constants)
	}
	fmt.Fprintln(w, "\nrearguard species ID explains one, rearguard species --enter says how to add one.")
	return w.Flush()
}

func (c *speciesCommand) catalog() (*species.Catalog, error) {
	if c.Config == "" {
		return species.Library()
	}
	f, err := cli.LoadPlainFacility(c.Config)
	if err != nil {
		return nil, err
	}
	return cli.LoadCatalog(f)
}

func reportSpecies(sp *species.Species) speciesReport {
	r := speciesReport{
		ID: sp.ID, CommonName: sp.CommonName, ScientificName: sp.ScientificName, RearedFor: sp.RearedFor,
		Origin: sp.Origin, Assumed: sp.Assumed(),
	}
	published, assumed := 0, 0
	for i := range sp.Stages[:len(sp.Stages)-1] {
		st := &sp.Stages[i]
		if !strings.HasPrefix(st.Source, species.CommonPractice) {
			published++
		}
		if st.Assumed {
			assumed++
		}
		if st.Rate == nil {
			continue
		}
		if perDay := st.Rate.PerDay(25); perDay > 0 {
			r.DaysAt25 += st.Requirement / perDay
		}
	}
	switch {
	case published == 0:
		r.Constants = "assumed"
	case assumed > 0:
		r.Constants = "published in part"
	default:
		r.Constants = "published"
	}
	return r
}
