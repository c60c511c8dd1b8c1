// Package world is what happens in an invented facility: the air of its rooms,
// the sensors in them and what they publish, and the plan of what befalls
// them. It knows nothing of the daemon that is to watch it.
package world
