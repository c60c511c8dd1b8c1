// Package daemon is the engine of rearguard: one goroutine owns all state and
// takes events (readings, ticks, commands, changes of the broker link) in one
// order. It commits a batch to the records, only then acknowledges the MQTT
// messages of that batch, and then publishes an immutable Snapshot that pages
// and metrics read without locks.
//
// Nothing in this package reads the wall clock: every event carries its time,
// so that live running, the accelerated demo and replay are one code path.
package daemon
