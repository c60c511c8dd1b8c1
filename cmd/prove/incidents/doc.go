// Package incidents measures the alarms: it lets invented rooms fail in known ways,
// in front of the engine itself, and counts what was found, how soon, with
// which cause, and what was raised for nothing. Everything follows from a
// seed. Thresholds may be chosen by the rooms of package rehearsal and by the
// development variant of a second model, which is built otherwise; the second
// itself is only looked at. None is a measured room, and the figures say how the
// alarms do in the models, no more.
package incidents

// TuningSeeds are the seeds that thresholds may be chosen by, HeldOutSeeds
// those that are only looked at.
func TuningSeeds() []uint64 { return []uint64{11, 12, 13} }

// HeldOutSeeds are kept apart from tuning. They have been looked at once; 901 to
// 903 and 911 to 913 were before them, and what they showed was mended.
func HeldOutSeeds() []uint64 { return []uint64{921, 922, 923} }
