package foldtest

import "testing"

// WithoutRace skips a test that computes for minutes under the race detector,
// which has seen the same code in shorter tests. .ci/run runs such tests once
// more without it.
func WithoutRace(tb testing.TB) {
	tb.Helper()
	if raceDetector {
		tb.Skip("computes for minutes under the race detector; run without -race")
	}
}
