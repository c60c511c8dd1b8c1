package world

// Dice give chance by what it is for. Each decision has its own, so that
// leaving something out of a plan changes no other decision.
type Dice uint64

// purpose sets the decisions of one kind apart.
type purpose uint64

// The kinds of decisions there are.
const (
	forNoise purpose = iota + 1
	ForWrite
	ForBatch
	ForOrder
	forHold
	ForTear
	forDamage
)

// roll is a number of 64 bits.
func (d Dice) roll(p purpose, a, b int) uint64 {
	x := uint64(d) ^ uint64(p)*0x9e3779b97f4a7c15 ^ uint64(a)*0xbf58476d1ce4e5b9 ^ uint64(b)*0x94d049bb133111eb
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}

// share is a number from 0 to just below 1.
func (d Dice) share(p purpose, a, b int) float64 { return float64(d.roll(p, a, b)>>11) / (1 << 53) }

// Below is a number from 0 to n-1.
func (d Dice) Below(n int, p purpose, a, b int) int { return int(d.roll(p, a, b) % uint64(n)) }

// Chance is true with a probability.
func (d Dice) Chance(probability float64, p purpose, a, b int) bool {
	return d.share(p, a, b) < probability
}
