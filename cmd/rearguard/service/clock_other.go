//go:build !linux

package service

// disciplined is not known here.
func disciplined() bool { return false }
