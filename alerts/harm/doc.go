// Package harm turns a course of air into harm by dose: heat injury along a
// thermal-death-time line, and the germination of fungal spores on insects.
// It knows numbers, not species; those come from above with their sources.
package harm
