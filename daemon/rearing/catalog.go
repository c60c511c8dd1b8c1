package rearing

import (
	"embed"
	"fmt"
	"path"
	"sort"
)

//go:embed library/*.yaml
var libraryFiles embed.FS

// Catalog is the species a facility knows: the library with the facility's
// own entries laid over it. It is not changed after it is built.
type Catalog struct {
	docs    map[SpeciesID]speciesDoc
	species map[SpeciesID]*Species
	shapes  *shapes
	// stated are the stages whose constants the facility's own entries give.
	stated map[SpeciesID]map[StageID]bool
}

// Stated reports whether the facility's own entry of a species gives the
// constants of a stage: what stands there is never replaced by what was
// adopted.
func (c *Catalog) Stated(id SpeciesID, stage StageID) bool { return c.stated[id][stage] }

// state remembers what an entry of the facility states.
func (c *Catalog) state(d *speciesDoc) {
	own := map[StageID]bool{}
	for stage := range c.stated[d.id] {
		own[stage] = true
	}
	for _, s := range d.stages {
		// A total of the entry gives the constants of the stages that share it.
		if s.restates() {
			own[s.id] = true
		}
	}
	c.stated[d.id] = own
}

// Library returns the built-in species library.
func Library() (*Catalog, error) {
	files, err := libraryFiles.ReadDir("library")
	if err != nil {
		return nil, fmt.Errorf("read species library: %w", err)
	}
	c := &Catalog{docs: map[SpeciesID]speciesDoc{}, species: map[SpeciesID]*Species{}, shapes: newShapes(), stated: map[SpeciesID]map[StageID]bool{}}
	var all Problems
	for _, f := range files {
		data, err := libraryFiles.ReadFile(path.Join("library", f.Name()))
		if err != nil {
			return nil, fmt.Errorf("read species library: %w", err)
		}
		entries, err := ParseSpecies(f.Name(), data, 0)
		if err != nil {
			return nil, fmt.Errorf("species library: %w", err)
		}
		for _, e := range entries {
			e.doc.fromLibrary = true
			all = append(all, c.add(e.doc)...)
		}
	}
	return c, all.err()
}

// With returns a catalog with the facility's entries laid over c: an entry of
// a known species changes what it states and keeps the rest, another one is
// a new species. All faults are returned together as Problems.
func (c *Catalog) With(entries []Entry) (*Catalog, error) {
	n := &Catalog{docs: map[SpeciesID]speciesDoc{}, species: map[SpeciesID]*Species{}, shapes: c.shapes, stated: map[SpeciesID]map[StageID]bool{}}
	for id, own := range c.stated {
		n.stated[id] = own
	}
	for id, d := range c.docs {
		n.docs[id], n.species[id] = d, c.species[id]
	}
	var all Problems
	for _, e := range entries {
		d := e.doc
		if !d.adopted {
			n.state(&d)
		}
		if known, ok := n.docs[d.id]; ok {
			d = known.over(d)
		} else {
			d.fromFacility = true
		}
		all = append(all, n.add(d)...)
	}
	return n, all.err()
}

func (c *Catalog) add(d speciesDoc) Problems {
	sp, problems := d.build()
	if sp != nil {
		sp.shapes = c.shapes
		c.docs[d.id], c.species[d.id] = d, sp
	}
	return problems
}

// Species returns the species with the id, and false when it is unknown.
func (c *Catalog) Species(id SpeciesID) (*Species, bool) {
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
