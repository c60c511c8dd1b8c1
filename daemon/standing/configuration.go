package standing

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"slices"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/study"
	"rearguard/sensors"
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

// InForce is what the records say of the configuration in force.
type InForce struct {
	Facility *facility.Facility
	Catalog  *species.Catalog
	Configuration
	// Recorded is set when the records know it.
	Recorded bool
}

// Load reads the configuration in force as of the last commit. Where the records
// know of none, for a facility that came out of no file, and when its text cannot
// be read by this version any more, it is the one given.
func Load(ctx context.Context, reader *records.Reader, f *facility.Facility, catalog *species.Catalog, logger *slog.Logger) (*InForce, error) {
	given := &InForce{Facility: f, Catalog: catalog, Configuration: Configuration{Path: f.Path, Text: f.Text}}
	body, err := reader.LoadState(ctx, Name)
	if errors.Is(err, records.ErrNotFound) || err == nil && f.Text == "" {
		return given, nil
	}
	if err != nil {
		return nil, err
	}
	in := &InForce{Facility: f, Catalog: catalog, Recorded: true}
	if err := json.Unmarshal(body, &in.Configuration); err != nil {
		return nil, fmt.Errorf("configuration in the records: %w", err)
	}
	if in.Text != f.Text {
		if in.Facility, in.Catalog, err = Parse(in.Path, in.Text); err != nil {
			logger.Warn("the configuration that was in force cannot be read by this version; what happened under it is gone through with the new one", "error", err)
			given.Species = in.Species
			return given, nil
		}
	}
	for i := range in.Claimed {
		in.Facility = in.Facility.With(&in.Claimed[i])
	}
	return in, nil
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

// Claims are the sensors that were claimed within a span, by entries of a kind.
// A fold over it must begin without them.
func Claims(ctx context.Context, reader *records.Reader, from, to time.Time, kind string) (map[sensors.SensorID]bool, error) {
	claims := make(map[sensors.SensorID]bool)
	for e, err := range reader.Journal(ctx, from, to) {
		if err != nil {
			return nil, fmt.Errorf("read the journal: %w", err)
		}
		if e.Kind != kind {
			continue
		}
		var claim struct {
			Sensor facility.Sensor `json:"sensor"`
		}
		if err := json.Unmarshal(e.Body, &claim); err != nil {
			return nil, fmt.Errorf("journal entry %d (%s): %w", e.Seq, e.Kind, err)
		}
		claims[claim.Sensor.ID] = true
	}
	return claims, nil
}

// WithoutFit are the species of cohorts that a catalog does not have as they
// need them.
func WithoutFit(catalog *species.Catalog, cohorts iter.Seq2[*population.Cohort, []population.Count]) []species.ID {
	var ids []species.ID
	for c, counts := range cohorts {
		if sp, _ := catalog.Species(c.Species); !Fits(sp, c, counts) {
			ids = append(ids, c.Species)
		}
	}
	return ids
}

// StoodIn reports whether one of some cohorts has ever stood in a room.
func StoodIn(room sensors.RoomID, cohorts iter.Seq2[*population.Cohort, []population.Count]) bool {
	for c := range cohorts {
		if slices.ContainsFunc(c.Placements, func(p population.Placement) bool { return p.Room == room }) {
			return true
		}
	}
	return false
}

// Is reports whether it is that of a facility.
func (c *Configuration) Is(f *facility.Facility) bool { return c.Text == f.Text && len(c.Claimed) == 0 }

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
