// Package quality says how far a reading can be trusted.
//
// The Assessor makes the tests of the IOOS QARTOD manuals (gross range,
// climatology, spike, rate of change, flat line, attenuated signal, timing gap)
// on one live series, where time is irregular, readings come late or twice, and
// nothing may look ahead.
//
// Some faults cannot be seen in one series alone: Neighbours compares the
// sensors of one room (outlier, drift, wrong unit) and FindSwaps those of a
// facility (two sensors exchanged). Habit, Clock, BatteryWatch and Flap watch
// the health of the device behind the readings.
//
// Everything is driven by event time, holds bounded memory and has a state
// that survives as JSON, so that replaying history gives the same flags again.
package quality
