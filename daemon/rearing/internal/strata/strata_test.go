package strata

import "testing"

func TestPairIsOneToOne(t *testing.T) {
	for _, n := range []int{1, 2, 8, 64, 1024} {
		for key := range uint64(300) {
			seen := make([]bool, n)
			for i := range n {
				j := Pair(i, n, key)
				if seen[j] {
					t.Fatalf("pairing of %d with key %d hits %d twice", n, key, j)
				}
				seen[j] = true
			}
		}
	}
}
