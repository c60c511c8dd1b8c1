package payload

import (
	"encoding/hex"
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// vectorRecord is a resolved record of the vectors.
type vectorRecord struct {
	Name  string   `json:"n"`
	Unit  string   `json:"u"`
	Time  float64  `json:"t"`
	Value *float64 `json:"v"`
	Text  *string  `json:"vs"`
	Flag  *bool    `json:"vb"`
	Data  *string  `json:"vd"`
}

type senMLVectors struct {
	CBOR  struct{ Hex string }
	Packs []struct {
		Name     string
		Pack     json.RawMessage
		Resolved []vectorRecord
	}
}

func readVectors(t *testing.T) senMLVectors {
	t.Helper()
	raw, err := os.ReadFile("testdata/senml.json")
	if err != nil {
		t.Fatal(err)
	}
	var v senMLVectors
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// resolveAll resolves the records of a pack that have a value.
func resolveAll(t *testing.T, body []byte, read func([]byte, func(*senMLRecord) error) error) (all []vectorRecord) {
	t.Helper()
	var base senMLBase
	err := read(body, func(r *senMLRecord) error {
		resolved := base.resolve(r)
		if reason := checkSenMLName(resolved.name); reason != "" {
			t.Errorf("name: %s", reason)
		}
		v := vectorRecord{Name: resolved.name, Unit: resolved.unit, Time: resolved.seconds}
		switch {
		case !math.IsNaN(resolved.value):
			v.Value = &resolved.value
		case !r.other:
			return nil
		}
		all = append(all, v)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestSenMLVectors resolves every example of RFC 8428.
func TestSenMLVectors(t *testing.T) {
	vectors := readVectors(t)
	if len(vectors.Packs) != 10 {
		t.Fatalf("%d packs", len(vectors.Packs))
	}
	// What is neither a number nor wanted is only known to be something else.
	options := cmp.Options{
		cmpopts.IgnoreFields(vectorRecord{}, "Text", "Flag", "Data"),
		cmpopts.EquateApprox(0, 1e-6), // microseconds are what a float64 of this size holds
	}
	for _, pack := range vectors.Packs {
		t.Run(pack.Name, func(t *testing.T) {
			got := resolveAll(t, pack.Pack, newSenMLJSON().read)
			if diff := cmp.Diff(pack.Resolved, got, options); diff != "" {
				t.Errorf("resolved (-want +got):\n%s", diff)
			}
			for i, r := range pack.Resolved {
				if numeric := r.Text == nil && r.Flag == nil && r.Data == nil; numeric != (got[i].Value != nil) {
					t.Errorf("record %d: number %t", i, got[i].Value != nil)
				}
			}
		})
	}
	t.Run("CBOR", func(t *testing.T) {
		body, err := hex.DecodeString(vectors.CBOR.Hex)
		if err != nil {
			t.Fatal(err)
		}
		got := resolveAll(t, body, readCBORRecords)
		if diff := cmp.Diff(vectors.Packs[2].Resolved, got, options); diff != "" {
			t.Errorf("resolved (-want +got):\n%s", diff)
		}
	})
}

// TestSmallestAbsoluteTime checks the instant that RFC 8428 section 4.5.3
// prints for the smallest absolute time, 2^28 seconds.
func TestSmallestAbsoluteTime(t *testing.T) {
	if got, want := unixSeconds(firstAbsolute), time.Date(1978, 7, 4, 21, 24, 16, 0, time.UTC); !got.Equal(want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
