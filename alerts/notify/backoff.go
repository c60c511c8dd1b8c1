package notify

import (
	"time"

	"rearguard/alerts"
)

const (
	backoffBase = 2 * time.Second
	backoffCap  = 5 * time.Minute
	// backoffLeast is the shortest pause, whatever chance or a channel says.
	backoffLeast = time.Second
	// refusedPause is the pause after a channel has refused a notice for good
	// that no other will tell.
	refusedPause = 15 * time.Minute
)

// backoff is how long to wait after the given number of failed attempts:
// exponential with full jitter, so that many notices that failed together do
// not come back together. Random is from 0 to 1.
func backoff(failed int, random float64) time.Duration {
	ceiling := backoffCap
	if failed = max(failed, 1); failed < 16 {
		ceiling = min(backoffCap, backoffBase<<(failed-1))
	}
	return max(backoffLeast, time.Duration(random*float64(ceiling)))
}

// longestPause is how long a channel may ask to be left alone with news of a
// priority: one that means hours must not hold back what kills within the hour.
func longestPause(p alerts.Priority) time.Duration {
	switch p {
	case alerts.Critical, alerts.High:
		return backoffCap
	case alerts.Medium:
		return 30 * time.Minute
	}
	return time.Hour
}

// again is how long to wait after an attempt that failed by err, the given
// number of failed attempts included.
func again(err error, failed int, random float64, p alerts.Priority) time.Duration {
	if IsPermanent(err) {
		return refusedPause
	}
	wait := backoff(failed, random)
	if asked, ok := retryAfter(err); ok {
		wait = max(wait, asked)
	}
	return min(wait, longestPause(p))
}

// Pause is again for what is sent at a regular interval anyway: unless its
// receiver asks for it, a failure is no reason to send it less often.
func Pause(err error, failed int, random float64, interval time.Duration) time.Duration {
	wait := min(backoff(failed, random), interval)
	if asked, ok := retryAfter(err); ok {
		wait = max(wait, min(asked, backoffCap))
	}
	return wait
}
