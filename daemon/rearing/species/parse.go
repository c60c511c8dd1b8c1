package species

import (
	"fmt"
	"reflect"
	"regexp"
	"strings"

	"rearguard/daemon/strict"
)

// Entry is a species entry as written, before it is laid over the library.
type Entry struct{ doc speciesDoc }

// ID is the species the entry is about.
func (e Entry) ID() ID { return e.doc.ID }

var idPattern = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

// Parse reads a file that is a list of species entries. All faults are
// returned together as strict.Faults.
func Parse(name string, data []byte) ([]Entry, error) {
	var docs []speciesDoc
	r, _ := entryKind().Read(name, data, &docs)
	return entries(r, docs)
}

// Read does the same for the list that is a part of a larger file.
func Read(part *strict.Part) ([]Entry, error) {
	var docs []speciesDoc
	return entries(entryKind().ReadPart(part, &docs), docs)
}

func entryKind() strict.Kind {
	return strict.Kind{Path: "species", Sample: "an entry of the library", Scalars: map[reflect.Type]strict.Scalar{
		// Prose goes over several lines of the file and stands on one of a page.
		reflect.TypeFor[string](): func(text string) (any, string, string) {
			prose := strings.Join(strings.Fields(text), " ")
			if prose == "" {
				return nil, "the text is empty", "write it, or remove the key"
			}
			return prose, "", ""
		},
		reflect.TypeFor[ID](): func(id string) (any, string, string) {
			if !idPattern.MatchString(id) {
				return nil, fmt.Sprintf("%q cannot be the id of a species", id), "use lower-case letters, digits and hyphens, for example danaus-plexippus"
			}
			return id, "", ""
		},
		reflect.TypeFor[StageID](): func(id string) (any, string, string) {
			if StageID(id).rank() == 0 {
				return nil, fmt.Sprintf("%q is no stage id", id), "write egg, larva-1 to larva-15, prepupa, pupa or adult"
			}
			return id, "", ""
		},
	}}
}

// entries checks that nothing is entered twice.
func entries(r *strict.Reading, docs []speciesDoc) ([]Entry, error) {
	const advice = "put both into one entry"
	var all []Entry
	var ids []string
	for i, d := range docs {
		all, ids = append(all, Entry{d}), append(ids, string(d.ID))
		var stages []string
		for _, s := range d.Stages {
			stages = append(stages, string(s.ID))
		}
		r.Distinct(fmt.Sprintf("species[%d].stages", i), stages, advice)
	}
	r.Distinct("species", ids, advice)
	return all, r.Err()
}
