package species

import (
	"embed"
	"fmt"
	"path"
	"sort"

	"rearguard/daemon/strict"
)

//go:embed library/*.yaml
var libraryFiles embed.FS

// Catalog is the species a facility knows: the library with the facility's
// own entries laid over it. It is not changed after it is built.
type Catalog struct {
	docs    map[ID]speciesDoc
	species map[ID]*Species
	shapes  *shapes
	// stated are the stages whose constants the facility's own entries give.
	stated map[ID]map[StageID]bool
}

// Stated reports whether the facility's own entry of a species gives the
// constants of a stage: what stands there is never replaced by what was
// adopted.
func (c *Catalog) Stated(id ID, stage StageID) bool { return c.stated[id][stage] }

// state remembers what an entry of the facility states.
func (c *Catalog) state(d *speciesDoc) {
	own := map[StageID]bool{}
	for stage := range c.stated[d.ID] {
		own[stage] = true
	}
	for _, s := range d.Stages {
		// A total of the entry gives the constants of the stages that share it.
		if s.restates() {
			own[s.ID] = true
		}
	}
	c.stated[d.ID] = own
}

// Library returns the built-in species library.
func Library() (*Catalog, error) {
	files, err := libraryFiles.ReadDir("library")
	if err != nil {
		return nil, fmt.Errorf("read species library: %w", err)
	}
	c := &Catalog{docs: map[ID]speciesDoc{}, species: map[ID]*Species{}, shapes: newShapes(), stated: map[ID]map[StageID]bool{}}
	var all strict.Faults
	for _, f := range files {
		data, err := libraryFiles.ReadFile(path.Join("library", f.Name()))
		if err != nil {
			return nil, fmt.Errorf("read species library: %w", err)
		}
		entries, err := Parse(f.Name(), data)
		if err != nil {
			return nil, fmt.Errorf("species library: %w", err)
		}
		for _, e := range entries {
			e.doc.fromLibrary = true
			all = append(all, c.add(e.doc)...)
		}
	}
	return c, all.Err()
}

// CatalogOf is the library with a facility's own entries laid over it; part is
// nil where it has none. Faults of entries are strict.Faults.
func CatalogOf(part *strict.Part) (*Catalog, error) {
	catalog, err := Library()
	if err != nil || part == nil {
		return catalog, err
	}
	entries, err := Read(part)
	if err != nil {
		return nil, err
	}
	return catalog.With(entries)
}

// With returns a catalog with the facility's entries laid over c: an entry of
// a known species changes what it states and keeps the rest, another one is
// a new species. All faults are returned together as strict.Faults.
func (c *Catalog) With(entries []Entry) (*Catalog, error) {
	n := &Catalog{docs: map[ID]speciesDoc{}, species: map[ID]*Species{}, shapes: c.shapes, stated: map[ID]map[StageID]bool{}}
	for id, own := range c.stated {
		n.stated[id] = own
	}
	for id, d := range c.docs {
		n.docs[id], n.species[id] = d, c.species[id]
	}
	var all strict.Faults
	for _, e := range entries {
		d := e.doc
		if !d.adopted {
			n.state(&d)
		}
		if known, ok := n.docs[d.ID]; ok {
			d = known.over(d)
		} else {
			d.fromFacility = true
		}
		all = append(all, n.add(d)...)
	}
	return n, all.Err()
}

func (c *Catalog) add(d speciesDoc) strict.Faults {
	sp, problems := d.build()
	if sp != nil {
		sp.shapes = c.shapes
		c.docs[d.ID], c.species[d.ID] = d, sp
	}
	return problems
}

// Species returns the species with the id, and false when it is unknown.
func (c *Catalog) Species(id ID) (*Species, bool) {
	sp, ok := c.species[id]
	return sp, ok
}

// All returns every species in order of id.
func (c *Catalog) All() []*Species {
	all := make([]*Species, 0, len(c.species))
	for _, sp := range c.species {
		all = append(all, sp)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].ID < all[j].ID })
	return all
}
