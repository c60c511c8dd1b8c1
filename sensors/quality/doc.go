// Package quality says how far a reading can be trusted.
//
// It has two layers. The batch functions (GrossRange, SpikeAverage,
// RateOfChange, FlatLine, AttenuatedSignal, Climatology, TimingGap, Neighbour)
// are the tests of the IOOS QARTOD manuals as pure functions over evenly
// spaced series. The Assessor applies the same tests to one live series, where
// time is irregular, readings come late or twice, and nothing may look ahead.
//
// Some faults cannot be seen in one series alone: Neighbours compares the
// sensors of one room (outlier, drift, wrong unit) and FindSwaps those of a
// facility (two sensors exchanged). Habit, Clock, BatteryWatch and Flap watch
// the health of the device behind the readings.
//
// Everything is driven by event time, holds bounded memory and has a state
// that survives as JSON, so that replaying history gives the same flags again.
package quality
