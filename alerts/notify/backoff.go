package notify

import "time"

const (
	backoffBase = 2 * time.Second
	backoffCap  = 5 * time.Minute
)

// backoff is how long to wait after the given number of failed attempts:
// exponential with full jitter, so that many notices that failed together do
// not come back together. Random is from 0 to 1.
func backoff(failed int, random float64) time.Duration {
	ceiling := backoffCap
	if failed = max(failed, 1); failed < 16 {
		ceiling = min(backoffCap, backoffBase<<(failed-1))
	}
	return time.Duration(random * float64(ceiling))
}
