// Package daemon is the engine of rearguard. One goroutine owns all state, as a
// fold, and takes events (messages, ticks, commands, changes of the broker
// link) in one order; from time to time it publishes an immutable Snapshot that
// pages and metrics read without locks. What follows from events is handed in
// batches to a committer, whose own goroutine writes them to the records and
// only then acknowledges the MQTT messages they came from. The engine never
// waits for the disk: rooms are watched also while the records cannot be
// written.
//
// Nothing in this package reads the wall clock: every event carries its time,
// so that live running, the accelerated demo and replay are one code path.
package daemon
