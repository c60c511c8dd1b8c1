package forecast

import "rearguard/daemon/development"

// Integral is physiological time along one course of the air: entry h is what
// has run up by hour h.
type Integral []float64

func runningSum(rate development.Rate, temps []float64) Integral {
	sum := make(Integral, len(temps))
	for h := 1; h < len(temps); h++ {
		sum[h] = sum[h-1] + rate.Along(temps[h-1], temps[h], 1.0/24)
	}
	return sum
}

// At is the running integral at hour x; beyond the last hour it stays as there.
func (sum Integral) At(x float64) float64 {
	h := int(x)
	if h >= len(sum)-1 {
		return sum[len(sum)-1]
	}
	return sum[h] + (sum[h+1]-sum[h])*(x-float64(h))
}

// hourOf is the first hour from x on at which the running integral reaches
// goal, and false when it does not within the outlook. Within an hour the
// integral is taken as a straight line; the error is at most minutes.
func (sum Integral) hourOf(x, goal float64) (float64, bool) {
	last := len(sum) - 1
	switch {
	case goal > sum[last]:
		return 0, false
	case goal <= sum.At(x):
		return x, true
	}
	lo, hi := min(int(x), last-1), last
	// A room's days are much alike: begin where the mean rate would end, and
	// widen from there until goal is between.
	if mean := sum[last] / float64(last); mean > 0 {
		guess := lo + int((goal-sum[lo])/mean)
		for reach := 8; guess > lo && guess < hi; reach *= 2 {
			if sum[guess] < goal {
				lo = guess
				guess += reach
			} else {
				hi = guess
				guess -= reach
			}
		}
	}
	for hi-lo > 1 {
		mid := int(uint(lo+hi) >> 1)
		if sum[mid] < goal {
			lo = mid
		} else {
			hi = mid
		}
	}
	if step := sum[hi] - sum[lo]; step > 0 {
		return max(x, float64(lo)+max(0, goal-sum[lo])/step), true
	}
	return max(x, float64(hi)), true
}
