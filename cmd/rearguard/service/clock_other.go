//go:build !linux

package service

// Disciplined is not known here.
func Disciplined() bool { return false }
