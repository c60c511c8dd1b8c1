//go:build !race

package foldtest

const raceDetector = false
