package past

import (
	"errors"
	"log/slog"
)

// Unreadable is an error of a Past: what depends on it is put off.
type Unreadable struct{ Err error }

func (e Unreadable) Error() string { return e.Err.Error() }

func (e Unreadable) Unwrap() error { return e.Err }

// Arrears are what was put off because the past could not be read.
type Arrears struct {
	// Problem says why it cannot be read, empty if it can.
	Problem string
	// Times counts what was put off.
	Times int
}

// PutOff notes that the past could not be read, and passes on any other error.
func (a *Arrears) PutOff(err error, logger *slog.Logger) error {
	var e Unreadable
	if !errors.As(err, &e) {
		return err
	}
	if a.Problem == "" {
		logger.Error("records cannot be read; what depends on them is put off", "error", e.Err)
	}
	a.Problem = e.Error()
	a.Times++
	return nil
}

// MadeUp notes that nothing is put off any more.
func (a *Arrears) MadeUp(logger *slog.Logger) {
	if a.Problem != "" {
		logger.Info("records can be read again")
		a.Problem = ""
	}
}
