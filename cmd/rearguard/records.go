package main

import (
	"cmp"
	"errors"
	"io/fs"

	"rearguard/daemon/records"
)

// openRecords opens records for reading: those named on the command line, or
// else those of the configuration. Purpose completes "there are no records",
// for example "to replay".
func openRecords(e *env, named, configured, purpose string) (*records.Reader, error) {
	reader, err := records.OpenReader(e.ctx, cmp.Or(named, configured))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, unusable("there are no records %s: %v", purpose, err)
	}
	return reader, err
}
