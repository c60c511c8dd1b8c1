package standing

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/study"
)

// Name names the blob of the records that holds the configuration in force.
const Name = "configuration"

// Configuration is a configuration as the records keep it.
type Configuration struct {
	// Path is the file, Text what stood in it. Secrets are never in it.
	Path string `json:"path"`
	Text string `json:"text"`
	// Claimed are the sensors that were claimed since.
	Claimed []facility.Sensor `json:"claimed,omitempty"`
	// Species are older texts by the species that living cohorts still go by,
	// since the newer ones have lost them.
	Species map[species.ID]string `json:"species,omitempty"`
}

// Load reads the configuration in force as of the last commit; nil if the
// records do not know it.
func Load(ctx context.Context, reader *records.Reader) (*Configuration, error) {
	body, err := reader.LoadState(ctx, Name)
	if errors.Is(err, records.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	c := &Configuration{}
	if err := json.Unmarshal(body, c); err != nil {
		return nil, fmt.Errorf("configuration in the records: %w", err)
	}
	return c, nil
}

// Parse reads a text as a configuration.
func Parse(path, text string) (*facility.Facility, *species.Catalog, error) {
	f, err := facility.Parse(path, []byte(text))
	if err != nil {
		return nil, nil, err
	}
	catalog, err := species.CatalogOf(f.Species)
	return f, catalog, err
}

// Claim notes a sensor that was claimed.
func (c *Configuration) Claim(s facility.Sensor) {
	claimed := slices.DeleteFunc(slices.Clone(c.Claimed), func(o facility.Sensor) bool { return o.ID == s.ID })
	c.Claimed = append(claimed, s)
}

// WithClaimed is the facility with the sensors claimed since laid over it.
func (c *Configuration) WithClaimed(f *facility.Facility) *facility.Facility {
	for i := range c.Claimed {
		f = f.With(&c.Claimed[i])
	}
	return f
}

// Lost are the species of older texts, with what was adopted laid over them.
// One that cannot be read any more is left out.
func (c *Configuration) Lost(learning *study.Learning) map[species.ID]*species.Species {
	lost := make(map[species.ID]*species.Species, len(c.Species))
	for id, text := range c.Species {
		_, catalog, err := Parse(c.Path, text)
		if err != nil {
			continue
		}
		if learning != nil {
			// What does not fit is left out of what Apply returns.
			catalog, _ = learning.Apply(catalog)
		}
		if sp, ok := catalog.Species(id); ok {
			lost[id] = sp
		}
	}
	return lost
}

// Follows is the record of a configuration that takes the place of c, under
// which the species in lost are still gone by.
func (c *Configuration) Follows(f *facility.Facility, lost []species.ID) Configuration {
	next := Configuration{Path: f.Path, Text: f.Text}
	for _, id := range lost {
		text := c.Text
		if older, ok := c.Species[id]; ok {
			text = older
		}
		if text == "" {
			continue
		}
		if next.Species == nil {
			next.Species = make(map[species.ID]string, len(lost))
		}
		next.Species[id] = text
	}
	return next
}

// Fits reports whether a cohort with its counts can go by a species: it must
// have every stage that they name.
func Fits(sp *species.Species, cohort *population.Cohort, counts []population.Count) bool {
	if sp == nil {
		return false
	}
	if _, ok := sp.StageIndex(cohort.StartStage); !ok {
		return false
	}
	for _, c := range counts {
		if _, ok := sp.StageIndex(c.Stage); !ok {
			return false
		}
	}
	return true
}
