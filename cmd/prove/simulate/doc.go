// Package simulate drives the whole daemon through invented troubles in one
// goroutine, and checks it against a plain model of what it must do.
//
// A run is a Plan drawn from a seed: rooms, sensors and what befalls them. The
// clock, the broker with its session, the disk, the people and the phone that
// notices go to are invented; the engine, its committer, the records and the
// deliverer of notices are the real ones, stepped in an order that the seed
// decides. So a seed and the commit reproduce a run exactly.
//
// A run that breaks a rule is shrunk: what is not needed for the breach is left
// out, and the rest is told as a story.
package simulate
