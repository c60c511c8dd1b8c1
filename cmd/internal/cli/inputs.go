package cli

import (
	"cmp"
	"context"
	"errors"
	"io/fs"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
)

// LoadFacility reads a configuration. One with faults cannot be used.
func LoadFacility(path string) (*facility.Facility, error) {
	f, err := facility.Load(path)
	if err != nil {
		return nil, Unusable("%w", err)
	}
	return f, nil
}

// LoadPlainFacility reads a configuration for a command that tells nobody
// anything: the secrets it names may be missing. One with faults cannot be used.
func LoadPlainFacility(path string) (*facility.Facility, error) {
	f, err := facility.LoadWithoutSecrets(path)
	if err != nil {
		return nil, Unusable("%w", err)
	}
	return f, nil
}

// LoadCatalog is the species library with the facility's own entries over it.
// Entries with faults cannot be used.
func LoadCatalog(f *facility.Facility) (*species.Catalog, error) {
	catalog, err := species.CatalogOf(f.Species)
	if err != nil {
		return nil, Unusable("%w", err)
	}
	return catalog, nil
}

// OpenRecords opens records for reading: those named on the command line, or
// else those of the configuration. Purpose completes "there are no records",
// for example "to replay".
func OpenRecords(ctx context.Context, named, configured, purpose string) (*records.Reader, error) {
	reader, err := records.OpenReader(ctx, cmp.Or(named, configured))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, Unusable("there are no records %s: %v", purpose, err)
	}
	return reader, err
}
