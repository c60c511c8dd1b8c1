// Package strata draws evenly without chance: a quantity that is spread among
// animals or days is taken at the middles of equal strata of its distribution,
// and the strata of different quantities are paired anew by key. Everything is
// the same on every run.
package strata

import "math"

// Count is the number of strata that representative animals are put on; a
// multiple of every size of a population.
const Count = 8192

// Normal is the inverse of the standard normal distribution, for 0 < u < 1.
func Normal(u float64) float64 { return math.Sqrt2 * math.Erfinv(2*u-1) }

// Pair maps 0..n-1 onto itself for n a power of two, differently for each
// key. It pairs the same stratified quantiles differently in each stage, so
// that every stage has exactly the stated spread and stages are unrelated,
// without storing a table and the same on every run.
func Pair(i, n int, key uint64) int {
	mask := uint64(n - 1)
	x := uint64(i)
	k := key*0x9e3779b97f4a7c15 + 0x632be59bd9b4e019
	for range 3 {
		k ^= k >> 29
		k *= 0xbf58476d1ce4e5b9
		x = (x ^ k>>32) & mask
		x = x * (k>>7 | 1) & mask
		x ^= x >> 3
	}
	return int(x & mask)
}
