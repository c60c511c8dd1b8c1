package records

import "rearguard/daemon/records/failure"

// Kinds of failure on which a caller may branch. Every error of this package
// that has one of these causes wraps it, names the file and says what to do.
var (
	ErrLocked   = failure.ErrLocked
	ErrReadOnly = failure.ErrReadOnly
	ErrFull     = failure.ErrFull
	ErrCorrupt  = failure.ErrCorrupt
	ErrForeign  = failure.ErrForeign
	ErrNewer    = failure.ErrNewer
	ErrOlder    = failure.ErrOlder
	ErrNotFound = failure.ErrNotFound
	ErrClosed   = failure.ErrClosed
)

// describe names the file and says what to do about an error.
func describe(path string, err error) error { return failure.Describe(path, err) }

func advice(kind error) string { return failure.Advice(kind) }
